"""The heater over a stretch: cycles, duty against expected, energy drawn and energy wasted."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tankwatch.review.incident import Excursion, modelled_loss
from tankwatch.review.recording import Floats, Recording
from tankwatch.review.usual import Usual


@dataclass(frozen=True, slots=True)
class HeaterFacts:
    """What the heater did; None where it cannot be told."""

    cycles: int
    """Times it was switched on."""
    on_minutes: float
    known_minutes: float
    """Time for which its state is known."""
    duty: float
    """Share of the known time, 0..1."""
    expected_duty: float | None
    """What the fitted model would have it be, for this water and room."""
    expected_sigma: float | None
    energy_kwh: float | None
    """Drawn in the known time: from the power channel, else the rated power times the time on."""
    energy_is_measured: bool
    wasted_kwh: float | None
    """Drawn within warm incidents beyond what the model says the tank needed."""


def heater_facts(recording: Recording, usual: Usual, excursions: tuple[Excursion, ...]) -> HeaterFacts | None:
    """Return the figures of the stretch; None where the heater's state was not recorded in it."""
    inside = recording.inside
    on = recording.on[inside]
    known = np.isfinite(on)
    if not known.any():
        return None
    hours = recording.step_s / 3600.0
    duty = float(on[known].mean())
    expected, sigma = _expected(recording, usual, inside)
    power = recording.power_w[inside]
    measured = bool(np.isfinite(power).sum() > 0.9 * known.sum())
    rated = recording.tank.heater_w
    if measured:
        watts = power
    elif rated is not None:
        watts = on * rated
    else:
        watts = np.full(len(on), np.nan)
    energy = float(np.nansum(watts) * hours / 1000.0) if np.isfinite(watts).any() else None
    wasted = None
    if energy is not None and usual.heating_k_per_h is not None:
        wasted = _wasted_kwh(recording, usual, excursions, watts)
    return HeaterFacts(
        cycles=sum(state and recording.from_s <= t <= recording.to_s for t, state in recording.switches),
        on_minutes=float(on[known].sum() * recording.step_s / 60.0),
        known_minutes=float(known.sum() * recording.step_s / 60.0),
        duty=duty,
        expected_duty=expected,
        expected_sigma=sigma,
        energy_kwh=energy,
        energy_is_measured=measured,
        wasted_kwh=wasted,
    )


def _expected(
    recording: Recording, usual: Usual, inside: NDArray[np.bool_]
) -> tuple[float | None, float | None]:
    heating = usual.heating_k_per_h
    loss = modelled_loss(recording, usual)
    if heating is None or loss is None or heating[0] <= 0:
        return None, None
    # The loss at the water's usual temperature: a tank gone cold needs no less heat to be held.
    water = recording.water_c[inside]
    level = usual.recent_water_c
    at_usual = loss[inside] - usual.time_constant_k_per_h * np.nan_to_num(water - level)
    duty = float(np.clip(at_usual / heating[0], 0.0, 1.0).mean())
    air = recording.air_c[inside]
    typical = usual.loss_k_per_h(level, float(np.nanmean(air)) if np.isfinite(air).any() else np.nan, 0.0)
    sigma = 0.0 if typical is None else typical[1] / heating[0]
    return duty, float(np.hypot(sigma, duty * heating[1] / heating[0]))


def _wasted_kwh(
    recording: Recording, usual: Usual, excursions: tuple[Excursion, ...], watts: Floats
) -> float:
    heating = usual.heating_k_per_h
    loss = modelled_loss(recording, usual)
    if loss is None or heating is None:
        return 0.0
    time_s = recording.time_s[recording.inside]
    hours = recording.step_s / 3600.0
    full_w = float(np.nanmax(watts)) if np.isfinite(watts).any() else 0.0
    needed = np.clip(loss[recording.inside] / heating[0], 0.0, 1.0) * full_w
    wasted = 0.0
    for one in excursions:
        if one.warm:
            part = (time_s >= one.onset_s) & (time_s <= one.turn_s)
            wasted += float(np.nansum(np.where(part, watts - needed, 0.0)) * hours / 1000.0)
    return max(0.0, wasted)
