"""The facts to judge an incident by: what was measured, against what the tank's own model would have it."""

import math
from dataclasses import dataclass

import numpy as np

from tankwatch.reading import ServiceMark
from tankwatch.review.incident import Excursion
from tankwatch.review.recording import Recording
from tankwatch.review.usual import Usual, fit_slice, heat_share

_SYSTEMATIC = 0.02
"""Lag and rounding leave this much of a share of heat in doubt, however long one looks."""
_SETTLE_S = 180.0
"""Element and probe lag behind a change by a few minutes."""
_LOOK_S = 2 * 3600.0
_SERVICE_BEFORE_S = 2 * 3600.0


@dataclass(frozen=True, slots=True)
class Evidence:
    """Facts of one incident; NaN and None where something was not recorded or cannot be told.

    Rates are in K/h and positive upwards.
    """

    warm: bool
    shown_on: float
    """Share of time with the heater shown on while the water was going off, 0..1."""
    rate_k_per_h: float
    """Course of the water then."""
    loss_k_per_h: float
    """Cooling of unheated water as the model has it for those conditions."""
    loss_sigma: float
    heating_k_per_h: float
    """Warming by the heater alone."""
    heating_sigma: float
    air_known: bool
    air_change_k: float
    """Air during the incident against the hours before."""
    heating_now: float
    """Heater's warming fitted to cycles within the incident."""
    loss_now: float
    """Cooling fitted to the same cycles, or to a time in which the heater was off throughout."""
    service_s: float | None
    """When hands were in the tank around the onset."""
    step_k: float
    """Largest change of the water within five minutes around the onset."""
    lamp_lost: bool
    """The lamp went dark within ten minutes of the onset."""
    lamp_on: float
    """Share of time with the lamp on during the incident."""

    @property
    def heat_share(self) -> float:
        """Share of the heater's usual warming that arrived, by the course of the water; NaN if unknown."""
        if not self.heating_k_per_h > 0:
            return math.nan
        return (self.rate_k_per_h + self.loss_k_per_h) / self.heating_k_per_h

    @property
    def fell_faster_than_free(self) -> bool:
        """Tell whether the water fell much faster than any unheated tank of its kind could."""
        return self.rate_k_per_h < -2.0 * abs(self.loss_k_per_h) - 0.5

    @property
    def heat_sigma(self) -> float:
        """Uncertainty of `heat_share`."""
        if not self.heating_k_per_h > 0:
            return math.nan
        relative = self.heat_share * self.heating_sigma / self.heating_k_per_h
        return math.hypot(self.loss_sigma / self.heating_k_per_h, relative, _SYSTEMATIC)


def gather(recording: Recording, usual: Usual, excursion: Excursion) -> Evidence:
    """Return the facts of `excursion`."""
    time_s = recording.time_s
    begin_s = min(excursion.onset_s + _SETTLE_S, excursion.turn_s - 300.0)
    end_s = min(excursion.turn_s, begin_s + _LOOK_S)
    part = (time_s >= begin_s) & (time_s <= max(end_s, begin_s + 300.0))
    water, air, light = recording.water_c[part], recording.air_c[part], recording.light[part]
    known = np.isfinite(water)
    rate = math.nan
    if known.sum() >= 4:
        rate = float(np.polyfit(time_s[part][known] / 3600.0 - begin_s / 3600.0, water[known], 1)[0])
    air_c = float(np.nanmean(air)) if np.isfinite(air).any() else math.nan
    lamp = float(np.nanmean(light)) if np.isfinite(light).any() else math.nan
    water_c = float(np.nanmean(water)) if known.any() else math.nan
    loss = usual.loss_k_per_h(water_c, air_c, lamp)
    heating = usual.heating_k_per_h
    shown = recording.on[part]
    before = (time_s < excursion.onset_s) & (time_s > excursion.onset_s - 6 * 3600.0)
    air_before = recording.air_c[before]
    has_air = np.isfinite(air_before).any() and math.isfinite(air_c)
    heating_now, loss_now = _fitted_during(recording, usual, excursion)
    return Evidence(
        warm=excursion.warm,
        shown_on=float(np.nanmean(shown)) if np.isfinite(shown).any() else math.nan,
        rate_k_per_h=rate,
        loss_k_per_h=math.nan if loss is None else loss[0],
        loss_sigma=math.nan if loss is None else loss[1],
        heating_k_per_h=math.nan if heating is None else heating[0],
        heating_sigma=math.nan if heating is None else heating[1],
        air_known=math.isfinite(air_c),
        air_change_k=air_c - float(np.nanmean(air_before)) if has_air else math.nan,
        heating_now=heating_now,
        loss_now=loss_now,
        service_s=_service_near(recording, excursion.onset_s),
        step_k=_step(recording, excursion),
        lamp_lost=_lamp_lost(recording, excursion.onset_s),
        lamp_on=lamp,
    )


def _fitted_during(recording: Recording, usual: Usual, excursion: Excursion) -> tuple[float, float]:
    """Fit heating and loss to what came after the onset; NaN where the heater never changed its state."""
    time_s = recording.time_s
    end_s = max(excursion.turn_s, min(excursion.last_s, excursion.onset_s + 6 * 3600.0))
    index = np.flatnonzero((time_s >= excursion.onset_s + _SETTLE_S) & (time_s <= end_s))
    if len(index) < 20:
        return math.nan, math.nan
    block = fit_slice(
        recording, heat_share(recording, usual.width_k), slice(int(index[0]), int(index[-1]) + 1)
    )
    if block is None:
        return math.nan, math.nan
    return (
        math.nan if block.heating_k_per_h is None else block.heating_k_per_h,
        block.cooling_k_per_h if block.heating_k_per_h is not None else math.nan,
    )


def _service_near(recording: Recording, onset_s: float) -> float | None:
    """Return when service began, if it was under way or had ended less than two hours before the onset."""
    begun_s: float | None = None
    for mark in recording.marks:
        if mark.mark is not ServiceMark.END:
            begun_s = mark.time_s if begun_s is None else begun_s
            continue
        if begun_s is not None and begun_s - 300.0 <= onset_s <= mark.time_s + _SERVICE_BEFORE_S:
            return begun_s
        begun_s = None
    return begun_s if begun_s is not None and begun_s - 300.0 <= onset_s else None


def _step(recording: Recording, excursion: Excursion) -> float:
    near = np.abs(recording.time_s - excursion.onset_s) <= 1800.0
    water = recording.water_c[near]
    width = max(1, round(300.0 / recording.step_s))
    change = np.abs(water[width:] - water[:-width]) if len(water) > width else np.array([])
    return float(np.nanmax(change)) if np.isfinite(change).any() else math.nan


def _lamp_lost(recording: Recording, onset_s: float) -> bool:
    before = recording.light[(recording.time_s > onset_s - 900.0) & (recording.time_s < onset_s - 120.0)]
    after = recording.light[(recording.time_s > onset_s + 120.0) & (recording.time_s < onset_s + 900.0)]
    if not (np.isfinite(before).any() and np.isfinite(after).any()):
        return False
    return bool(np.nanmean(before) > 0.9 and np.nanmean(after) < 0.1)
