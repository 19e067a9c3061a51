"""A tank that holds its temperature but at a price: more heat lost than usual, or a heater that gives less.

Told by a duty that the room does not explain. What heater and water did since then is fitted as the time
before was, and the two are compared; so it is found before the water leaves its range.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tankwatch.review.breakpoint import find_bend
from tankwatch.review.cause import Cause
from tankwatch.review.incident import Excursion, modelled_loss, residual_c
from tankwatch.review.recording import Floats, Recording
from tankwatch.review.usual import Usual, calm_blocks, fit_slice, heat_share, in_service

_EXCESS = 0.15
"""Duty beyond the expected one that is told at all; without an air temperature twice as much."""
_MORE_LOSS = 1.3
_LESS_HEAT = 0.82
_SURE = 0.06
"""Largest uncertainty of the fitted warming, against the usual, with which a cause is named."""
_LEAST_H = 2.0
_BEFORE_S = 6 * 3600.0
_SETTLE_S = 600.0


@dataclass(frozen=True, slots=True)
class Strain:
    """What was asked of the heater beyond what the room explains."""

    cause: Cause | None
    """None where heater and loss cannot be told apart: the heater was hardly ever off."""
    ratio: float
    """Loss, or the heater's warming, against the usual one; without a cause the duty against the expected."""
    duty: float
    expected_duty: float
    onset_s: float
    """Since when, by change-point."""
    onset_uncertainty_s: float

    @property
    def title(self) -> str:
        """Return it in a few words."""
        return "the heater worked more than this room explains" if self.cause is None else self.cause.value

    @property
    def sentence(self) -> str:
        """Return the facts in words."""
        told = f"duty {self.duty:.0%}, expected {self.expected_duty:.0%}"
        if self.cause is None:
            return f"{told}; more loss and a weaker heater cannot be told apart"
        what = (
            "the usual loss of heat" if self.cause is Cause.MORE_HEAT_LOST else "the heater's usual warming"
        )
        return f"{told}; its cycles show {self.ratio:.0%} of {what}"


def find_strain(recording: Recording, usual: Usual, courses: Sequence[Excursion]) -> Strain | None:
    """Return what strains the tank, or None where nothing clearly does."""
    heating, loss, residual = (
        usual.heating_k_per_h,
        modelled_loss(recording, usual),
        residual_c(recording, usual),
    )
    if heating is None or loss is None or residual is None or not usual.model.heating_is_measured:
        return None
    calm = ~in_service(recording) & np.isfinite(recording.on) & np.isfinite(recording.water_c)
    for course in courses:
        calm &= ~((recording.time_s >= course.onset_s) & (recording.time_s <= course.last_s))
    near = recording.time_s >= recording.from_s - _BEFORE_S
    bend = find_bend(recording.time_s[near], np.where(calm, residual, np.nan)[near])
    if bend is None or bend.change > -0.05:
        return None
    since = calm & recording.inside & (recording.time_s > bend.time_s + _SETTLE_S)
    if since.sum() * recording.step_s < _LEAST_H * 3600.0:
        return None
    duty = float(recording.on[since].mean())
    expected = float(np.clip(loss[since] / heating[0], 0.0, 1.0).mean())
    air_known = bool(np.isfinite(recording.air_c[since]).mean() > 0.5)
    if duty - expected < (_EXCESS if air_known else 2.0 * _EXCESS):
        return None
    cause, ratio = _told_apart(recording, usual, since, loss, heating[0])
    onset_s = max(bend.time_s, float(recording.time_s[0]))
    return Strain(
        cause, ratio or duty / max(expected, 1e-6), duty, expected, onset_s, max(bend.uncertainty_s, 3600.0)
    )


def _told_apart(
    recording: Recording, usual: Usual, since: NDArray[np.bool_], loss: Floats, heating: float
) -> tuple[Cause | None, float | None]:
    # Short blocks: over many hours a room that wanders would be taken for a weaker heater.
    share = heat_share(recording, usual.width_k)
    warmings, losses = [], []
    for part in calm_blocks(recording, since):
        block = fit_slice(recording, share, part)
        if block is None or block.heating_k_per_h is None or block.heating_sigma > _SURE * heating:
            continue
        warmings.append(block.heating_k_per_h / heating)
        losses.append(block.cooling_k_per_h / max(float(loss[part].mean()), 1e-6))
    if not warmings:
        return None, None
    warming, lost = float(np.median(warmings)), float(np.median(losses))
    if warming < _LESS_HEAT and 1.0 - warming > 0.5 * (lost - 1.0):
        return Cause.ELEMENT_WEAK, warming
    return (Cause.MORE_HEAT_LOST, lost) if lost > _MORE_LOSS else (None, None)
