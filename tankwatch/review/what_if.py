"""What would have happened with two heaters of half the power: only one of them fails."""

import math
from dataclasses import dataclass

import numpy as np

from tankwatch.review.cause import Cause
from tankwatch.review.incident import Excursion, modelled_loss
from tankwatch.review.recording import Recording
from tankwatch.review.usual import Usual

_FAILED_ON = frozenset({Cause.HEATER_STUCK_ON})
_FAILED_OFF = frozenset({Cause.HEATER_NO_HEAT, Cause.HEATER_WITHOUT_POWER, Cause.HEATER_GIVES_NONE})


@dataclass(frozen=True, slots=True)
class WhatIf:
    """The same fault in one of two smaller heaters, the other one sound."""

    each_w: float | None
    """Power of each heater, W; None where the power is not known."""
    furthest_c: float
    """Highest (lowest) temperature that the model then gives up to the real turning point."""
    real_c: float
    """What it really was."""

    def sentence(self, warm: bool) -> str:
        """Return it in words."""
        two = "two heaters of half the power" if self.each_w is None else f"two {self.each_w:.0f} W heaters"
        end = "peak" if warm else "low"
        return (
            f"with {two}, one of them failing the same way, the {end} would have been about "
            f"{self.furthest_c:.1f} °C instead of {self.real_c:.1f} °C (by the fitted model)"
        )


def two_smaller_heaters(
    recording: Recording, usual: Usual, excursion: Excursion, cause: Cause
) -> WhatIf | None:
    """Return the outcome with two heaters of half the power; None where the cause is none of a heater.

    Integrates `dT/dt = p h − r` from the onset to the real turning point, in the steps of the recording;
    `r` follows the loss to the room with the water's own temperature.
    """
    heating = usual.heating_k_per_h
    loss = modelled_loss(recording, usual)
    if heating is None or loss is None or cause not in _FAILED_ON | _FAILED_OFF:
        return None
    part = np.flatnonzero((recording.time_s >= excursion.onset_s) & (recording.time_s <= excursion.turn_s))
    if len(part) < 2 or not np.isfinite(recording.water_c[part]).any():
        return None
    bottom = usual.on_at_c if usual.on_at_c is not None else usual.bottom_c
    top = usual.off_at_c if usual.off_at_c is not None else usual.top_c
    if bottom is None or top is None:
        return None
    hours = recording.step_s / 3600.0
    k = usual.time_constant_k_per_h
    stuck = 1.0 if cause in _FAILED_ON else 0.0
    water = float(recording.water_c[part][np.isfinite(recording.water_c[part])][0])
    calls = cause in _FAILED_OFF
    furthest = water
    real = recording.water_c[part]
    real = np.where(np.isfinite(real), real, np.nanmean(real))
    for index, real_c in zip(part, real, strict=True):
        if water > top:
            calls = False
        elif water < bottom:
            calls = True
        rate = heating[0] * 0.5 * (stuck + calls) - (loss[index] + k * (water - real_c))
        water += rate * hours
        furthest = max(furthest, water) if excursion.warm else min(furthest, water)
    if not math.isfinite(furthest):
        return None
    rated = recording.tank.heater_w
    return WhatIf(None if rated is None else rated / 2.0, furthest, excursion.turn_c)
