"""What was usual for a tank: where its thermostat switches, how far its water swings, its gains and losses.

All of it is learned from undisturbed readings, by the same fitted model as the watch uses.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tankwatch.reading import ServiceMark
from tankwatch.review.recording import Floats, Recording
from tankwatch.watchdog.model import Block, ThermalModel, fit_block

_BLOCK_S = 2 * 3600.0
_SERVICE_AFTER_S = 1800.0
_UNKNOWN_AIR = 0.25
"""Without an air temperature the loss of the last hours is taken to hold, give or take this share."""
_RECENT_H = 12.0
_LEG_S = 1200.0
_LAG_S = 120.0


@dataclass(frozen=True, slots=True)
class Usual:
    """The tank as it was before anything happened."""

    top_c: float | None
    """Usual highest temperature of a heating cycle."""
    bottom_c: float | None
    on_at_c: float | None
    """Water at which the heater switches on, as the probe shows it; None where the state is not recorded."""
    off_at_c: float | None
    spread_k: float
    """How exactly the switching points repeat."""
    model: ThermalModel
    recent_loss_k_per_h: float | None
    """Cooling rate of the unheated water in the last undisturbed hours."""
    recent_water_c: float
    cycles: int

    @property
    def width_k(self) -> float:
        """Usual height of a cycle; 0.5 where it is not known."""
        return 0.5 if self.top_c is None or self.bottom_c is None else self.top_c - self.bottom_c

    @property
    def heating_k_per_h(self) -> tuple[float, float] | None:
        """Rate at which the heater alone warms the water, and its uncertainty."""
        found = self.model.heating_k_per_h
        return None if found is None else (found.value, found.uncertainty)

    def loss_k_per_h(self, water_c: float, air_c: float, light: float) -> tuple[float, float] | None:
        """Return the rate at which unheated water would fall, and its uncertainty; `air_c` may be NaN."""
        if math.isfinite(air_c):
            found = self.model.cooling_k_per_h(water_c, air_c, 0.0 if math.isnan(light) else light)
            if found is not None:
                return found.value, found.uncertainty
        if self.recent_loss_k_per_h is None:
            return None
        value = self.recent_loss_k_per_h + self.time_constant_k_per_h * (water_c - self.recent_water_c)
        return value, _UNKNOWN_AIR * abs(self.recent_loss_k_per_h) + 0.02

    @property
    def time_constant_k_per_h(self) -> float:
        """Heat loss over the heat capacity, 1/h; guessed from the volume until the air told it."""
        found = self.model.loss()
        return self.model.guess_k_per_h if found is None else found[0].value


def learn_usual(recording: Recording, until_s: float) -> Usual:
    """Learn from the readings before `until_s`, service and wild stretches left out.

    With little before `until_s` the rest of the recording is used as well: medians bear a disturbed part.
    """
    calm = (recording.time_s < until_s) & ~in_service(recording)
    if np.isfinite(recording.water_c[calm]).sum() * recording.step_s < 6 * 3600.0:
        calm = ~in_service(recording)
    points = _switch_points(recording, calm)
    top, bottom, cycles = _swing(recording, calm)
    model = ThermalModel(recording.tank.volume_l, recording.tank.heater_w)
    if top is not None and bottom is not None:
        margin = max(0.3, 0.5 * (top - bottom))
        calm &= ~((recording.water_c > top + margin) | (recording.water_c < bottom - margin))
    share = heat_share(recording, 0.5 if top is None or bottom is None else top - bottom)
    for part in calm_blocks(recording, calm):
        found = fit_slice(recording, share, part)
        if found is not None:
            model.learn(found)
    newest = model.blocks[-1].time_h if model.blocks else 0.0
    recent = [b for b in model.blocks if b.time_h > newest - _RECENT_H]
    return Usual(
        top_c=top,
        bottom_c=bottom,
        on_at_c=points[0],
        off_at_c=points[1],
        spread_k=points[2],
        model=model,
        recent_loss_k_per_h=float(np.median([b.cooling_k_per_h for b in recent])) if recent else None,
        recent_water_c=float(np.mean([b.water_c for b in recent])) if recent else math.nan,
        cycles=cycles,
    )


def in_service(recording: Recording) -> NDArray[np.bool_]:
    """Return which steps have hands in the tank, or had them half an hour before."""
    busy = np.zeros(len(recording.time_s), dtype=bool)
    begun_s: float | None = None
    for mark in recording.marks:
        if mark.mark is ServiceMark.END:
            if begun_s is not None:
                busy |= (recording.time_s > begun_s - 60) & (
                    recording.time_s < mark.time_s + _SERVICE_AFTER_S
                )
            begun_s = None
        elif begun_s is None:
            begun_s = mark.time_s
    if begun_s is not None:
        busy |= recording.time_s > begun_s - 60
    return busy


def water_at_switch(recording: Recording, time_s: float) -> float:
    """Return the water as the heater switched, from a line through the minutes before; NaN if unknown.

    Only the leg that ends there is used, its last 20 minutes at most: after the switch the water bends.
    """
    before = [t for t, _ in recording.switches if t < time_s - 1.0]
    begin_s = max(time_s - _LEG_S, before[-1] + _LAG_S if before else time_s - _LEG_S)
    near = (recording.time_s >= begin_s) & (recording.time_s <= time_s) & np.isfinite(recording.water_c)
    if near.sum() < 3:
        return math.nan
    _, level = np.polyfit(recording.time_s[near] - time_s, recording.water_c[near], 1)
    return float(level)


def _switch_points(recording: Recording, calm: NDArray[np.bool_]) -> tuple[float | None, float | None, float]:
    found: dict[bool, list[float]] = {True: [], False: []}
    for time_s, state in recording.switches:
        index = int(np.searchsorted(recording.time_s, time_s))
        if index < len(calm) and calm[index]:
            level = water_at_switch(recording, time_s)
            if math.isfinite(level):
                found[state].append(level)
    if len(found[True]) < 2 or len(found[False]) < 2:
        return None, None, 0.05
    on_at, off_at = float(np.median(found[True])), float(np.median(found[False]))
    deviations = np.abs(np.concatenate([np.array(found[True]) - on_at, np.array(found[False]) - off_at]))
    spread = max(0.02, 1.4826 * float(np.median(deviations)))
    if off_at <= on_at:
        return None, None, spread
    return on_at, off_at, spread


def _swing(recording: Recording, calm: NDArray[np.bool_]) -> tuple[float | None, float | None, int]:
    """Return the usual highest and lowest temperature of a cycle, and how many cycles told it."""
    water = recording.water_c[calm]
    water = water[np.isfinite(water)]
    if len(water) < 60:
        return None, None, 0
    noise = float(np.median(np.abs(np.diff(water)))) * 1.5
    turns = turning_points(water, max(0.08, 4.0 * noise, 0.3 * float(np.ptp(np.quantile(water, [0.1, 0.9])))))
    peaks = [float(water[index]) for is_peak, index in turns if is_peak]
    troughs = [float(water[index]) for is_peak, index in turns if not is_peak]
    if len(peaks) < 2 or len(troughs) < 2:
        return None, None, 0
    return float(np.median(peaks)), float(np.median(troughs)), min(len(peaks), len(troughs))


def turning_points(value: Floats, turn_k: float) -> list[tuple[bool, int]]:
    """Return the extremes of `value` as (is a peak, index), each left by at least `turn_k` on both sides."""
    turns: list[tuple[bool, int]] = []
    high = low = 0
    rising: bool | None = None
    for index, item in enumerate(value.tolist()):
        high = index if item > value[high] else high
        low = index if item < value[low] else low
        if rising is not False and item < value[high] - turn_k:
            if rising:
                turns.append((True, high))
            rising, low = False, index
        elif rising is not True and item > value[low] + turn_k:
            if rising is False:
                turns.append((False, low))
            rising, high = True, index
    return turns


def heat_share(recording: Recording, width_k: float) -> Floats:
    """Return the heater's share of each step: as recorded, else recovered from rise and fall of the water.

    `width_k` is the usual height of a cycle.
    """
    if recording.heater_measured:
        return recording.on
    known = np.flatnonzero(np.isfinite(recording.water_c))
    share = np.full(len(recording.time_s), np.nan)
    if len(known) < 60:
        return share
    water = recording.water_c[known]
    turns = turning_points(water, max(0.08, 0.3 * width_k))
    for (is_peak, first), (_, second) in pairwise(turns):
        share[known[first] : known[second]] = 0.0 if is_peak else 1.0
    return share


def calm_blocks(recording: Recording, calm: NDArray[np.bool_]) -> list[slice]:
    """Return undisturbed stretches of about two hours; they begin where the heater starts, if they can."""
    good = calm & np.isfinite(recording.water_c)
    starts = np.zeros(len(good), dtype=bool)
    for time_s, state in recording.switches:
        index = int(np.searchsorted(recording.time_s, time_s))
        if state and index < len(starts):
            starts[index] = True
    blocks, begin = [], None
    size = int(_BLOCK_S / recording.step_s)
    for index in range(len(good)):
        if not good[index]:
            begin = None
        elif begin is None:
            begin = index
        elif index - begin >= size and (starts[index] or index - begin >= 2 * size):
            blocks.append(slice(begin, index))
            begin = index
    return blocks


def fit_slice(recording: Recording, share: Floats, part: slice) -> Block | None:
    """Return the block that `fit_block` makes of a part of the recording, or None."""
    time_s, water, on = recording.time_s[part], recording.water_c[part], share[part]
    known = np.isfinite(water) & np.isfinite(on)
    if known.sum() < 12 or known.mean() < 0.8:
        return None
    air = recording.air_c[part]
    light = recording.light[part]
    on_s = np.cumsum(np.where(known, np.nan_to_num(on), 0.0)) * recording.step_s
    return fit_block(
        time_s[known].tolist(),
        water[known].tolist(),
        on_s[known].tolist(),
        air_c=float(np.nanmean(air)) if np.isfinite(air).mean() > 0.5 else None,
        light=float(np.nanmean(light)) if np.isfinite(light).any() else 0.0,
    )
