"""Incidents: stretches in which the water left what was usual, with onset, turning point and recovery."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tankwatch.reading import ServiceMark
from tankwatch.review.breakpoint import find_bend
from tankwatch.review.measures import evened, outside
from tankwatch.review.recording import Floats, Recording
from tankwatch.review.usual import Usual, turning_points, water_at_switch

_CALM_S = 20 * 60.0
"""Back in the usual range for so long: recovered."""
_LOOK_BACK_S = 6 * 3600.0
_AFTER_SERVICE_S = 900.0
_LEG_S, _LAG_S = 1200.0, 120.0
"""A crossing is read from a line through so much time, begun so long after the last switch."""
_FLAT_S = 900.0
_LEAST_S = 4 * 60.0
"""A shorter stray from the usual range is no incident."""


@dataclass(frozen=True, slots=True)
class Excursion:
    """One stretch of water outside its usual range or its band; times in seconds since 1970 UTC."""

    warm: bool
    left_s: float
    """When the water left the usual range."""
    onset_s: float
    """When things began to go another way than usual."""
    onset_uncertainty_s: float
    turn_s: float
    """When the water was furthest off."""
    turn_c: float
    recovery_s: float | None
    """When it was back for good; None: not before the recording ended."""
    last_s: float
    """Recovery, or the last that is known of it."""
    minutes_outside_band: float
    gap_inside: bool
    """A gap lies between onset and recovery: part of it was not seen."""


def find_excursions(recording: Recording, usual: Usual) -> list[Excursion]:
    """Return the excursions that touch the stretch, oldest first."""
    low, high = usual_range(recording, usual)
    water = recording.water_c
    found = []
    for warm, strays in ((True, water > high), (False, water < low)):
        for first, last in _runs(recording, strays):
            if recording.time_s[last] < recording.from_s:
                continue
            found.append(_describe(recording, usual, warm, first, last, (low, high)))
    return sorted(_joined(found), key=lambda e: e.onset_s)


def usual_range(recording: Recording, usual: Usual) -> tuple[float, float]:
    """Return the temperatures between which nothing is worth telling, °C."""
    tank = recording.tank
    if usual.top_c is None or usual.bottom_c is None:
        return tank.band_low_c, tank.band_high_c
    margin = max(0.25, 0.5 * usual.width_k)
    return max(usual.bottom_c - margin, tank.band_low_c), min(usual.top_c + margin, tank.band_high_c)


def _runs(recording: Recording, strays: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return first and last step of each stay outside; stays less than `_CALM_S` apart are one."""
    steps = np.flatnonzero(strays)
    if len(steps) == 0:
        return []
    known = np.flatnonzero(np.isfinite(recording.water_c))
    rank = np.searchsorted(known, steps)
    # Unknown steps between two outside ones do not show that the water came back.
    calm = np.diff(rank) * recording.step_s > _CALM_S
    starts = np.concatenate([[0], np.flatnonzero(calm) + 1])
    ends = np.concatenate([np.flatnonzero(calm), [len(steps) - 1]])
    runs = []
    for start, end in zip(starts, ends, strict=True):
        if (end - start + 1) * recording.step_s >= _LEAST_S or end == len(steps) - 1:
            runs.append((int(steps[start]), int(steps[end])))
    return runs


def _describe(
    recording: Recording, usual: Usual, warm: bool, first: int, last: int, limits: tuple[float, float]
) -> Excursion:
    time_s, water = recording.time_s, recording.water_c
    # Rounded readings make a flat top: its middle is the turning point, not its first step.
    part = evened(water[first : last + 1], 2 * round(_FLAT_S / recording.step_s / 2) + 1)
    turn = first + int(np.nanargmax(part) if warm else np.nanargmin(part))
    after = np.flatnonzero(np.isfinite(water[last + 1 :]))
    recovered = len(after) * recording.step_s >= min(_CALM_S, 0.5 * _CALM_S)
    recovery_s = float(time_s[last + 1 + after[0]]) if recovered else None
    onset_s, uncertainty_s = _onset(recording, usual, warm, first, turn)
    tank = recording.tank
    excess = water - tank.band_high_c if warm else tank.band_low_c - water
    during = (time_s >= onset_s) & (time_s <= (recovery_s or time_s[-1])) & recording.inside
    end_s = recovery_s if recovery_s is not None else float(time_s[-1])
    return Excursion(
        warm=warm,
        left_s=float(time_s[first]),
        onset_s=onset_s,
        onset_uncertainty_s=uncertainty_s,
        turn_s=float(time_s[turn]),
        turn_c=float(evened(water, 3)[turn]),
        recovery_s=recovery_s,
        last_s=end_s,
        minutes_outside_band=outside(time_s[during], excess[during], recording.step_s)[0],
        gap_inside=any(gap.from_s < end_s and gap.to_s > onset_s for gap in recording.gaps),
    )


def _onset(recording: Recording, usual: Usual, warm: bool, first: int, turn: int) -> tuple[float, float]:
    """Return when it began, and how uncertain that is, s.

    Four ways, the most direct first: hands in the tank; the heater's shown state parts from what a thermostat
    would do; the water parts from what the shown heat and the model say; the course of the water bends.
    """
    service_s = _service_at(recording, float(recording.time_s[first]))
    if service_s is not None:
        return service_s, max(recording.step_s, 60.0)
    shown = _state_onset(recording, usual, warm, first)
    if shown is not None:
        return shown, max(recording.step_s, 60.0)
    bend = _residual_onset(recording, usual, warm, first, turn)
    if bend is not None:
        return bend
    return _plain_onset(recording, usual, warm, first)


def _service_at(recording: Recording, left_s: float) -> float | None:
    """Return when service began, if the water left its range in it or just after."""
    begun_s: float | None = None
    for mark in recording.marks:
        if mark.mark is not ServiceMark.END:
            begun_s = mark.time_s if begun_s is None else begun_s
            continue
        if begun_s is not None and begun_s <= left_s <= mark.time_s + _AFTER_SERVICE_S:
            return begun_s
        begun_s = None
    return begun_s if begun_s is not None and begun_s <= left_s else None


def _state_onset(recording: Recording, usual: Usual, warm: bool, first: int) -> float | None:
    """Return since when the heater was shown on (off) though the water asked for the other."""
    on_at, off_at = usual.on_at_c, usual.off_at_c
    if on_at is None or off_at is None or not recording.heater_measured:
        return None
    left_s = float(recording.time_s[first])
    earlier = [(t, state) for t, state in recording.switches if t <= left_s]
    if not earlier:
        return None
    switched_s, state = earlier[-1]
    if state is not warm:
        return None
    level = water_at_switch(recording, switched_s)
    slack = max(3.0 * usual.spread_k, 0.15 * (off_at - on_at))
    usual_level = on_at if warm else off_at
    if np.isfinite(level) and (level > usual_level + slack if warm else level < usual_level - slack):
        return switched_s
    return _crossing(recording, off_at if warm else on_at, warm, switched_s, left_s)


def _crossing(recording: Recording, level_c: float, upward: bool, from_s: float, to_s: float) -> float | None:
    """Return when the water, on its way from `from_s` to `to_s`, passed `level_c` for the last time."""
    part = (recording.time_s >= from_s) & (recording.time_s <= to_s) & np.isfinite(recording.water_c)
    time_s, water = recording.time_s[part], recording.water_c[part]
    before = water < level_c if upward else water > level_c
    if not before.any() or before.all():
        return float(time_s[0]) if len(time_s) else None
    # A probe that rounds passes the level several times: the middle of those times is where to look.
    middle_s = float((time_s[np.flatnonzero(before)[-1]] + time_s[np.flatnonzero(~before)[0]]) / 2)
    near = (np.abs(time_s - middle_s) <= _LEG_S) & (time_s >= from_s + _LAG_S)
    if near.sum() < 3:
        return middle_s
    slope, offset = np.polyfit(time_s[near] - middle_s, water[near] - level_c, 1)
    if slope == 0.0 or (slope > 0.0) is not upward:
        return middle_s
    return float(np.clip(middle_s - offset / slope, from_s, to_s))


def residual_c(recording: Recording, usual: Usual) -> Floats | None:
    """Return the water less what the shown heat and the modelled loss explain, °C; None without a model.

    Constant while the tank is as usual; it climbs where heat comes that was not shown, and falls where heat
    is missing or more is lost.
    """
    heating = usual.heating_k_per_h
    if heating is None or not recording.heater_measured:
        return None
    heat = np.nan_to_num(recording.on) * heating[0]
    loss = modelled_loss(recording, usual)
    if loss is None:
        return None
    hours = recording.step_s / 3600.0
    explained = np.cumsum((heat - loss) * hours) - (heat - loss) * hours / 2
    return recording.water_c - explained


def modelled_loss(recording: Recording, usual: Usual) -> Floats | None:
    """Return the usual cooling rate of the unheated water at each step, K/h."""
    water = recording.water_c
    filled = np.where(np.isfinite(water), water, np.nanmean(water) if np.isfinite(water).any() else 0.0)
    found = usual.model.loss()
    usual_rate = usual.recent_loss_k_per_h
    if usual_rate is None:
        return None
    without_air = usual_rate + usual.time_constant_k_per_h * (filled - usual.recent_water_c)
    if found is None:
        return without_air
    k, gain, lamp = found
    light = np.nan_to_num(recording.light)
    with_air = k.value * (filled - recording.air_c) - gain.value - lamp.value * light
    return np.where(np.isfinite(recording.air_c), with_air, without_air)


def _residual_onset(
    recording: Recording, usual: Usual, warm: bool, first: int, turn: int
) -> tuple[float, float] | None:
    residual = residual_c(recording, usual)
    if residual is None:
        return None
    time_s = recording.time_s
    end_s = min(float(time_s[turn]), float(time_s[first]) + 1800.0)
    part = (time_s >= time_s[first] - _LOOK_BACK_S) & (time_s <= end_s)
    bend = find_bend(time_s[part], residual[part])
    for _ in range(2):
        if bend is None:
            return None
        # Closer in, slow errors of the model weigh less.
        reach_s = max(5400.0, 1.5 * (end_s - bend.time_s))
        part = (time_s >= bend.time_s - reach_s) & (time_s <= end_s)
        bend = find_bend(time_s[part], residual[part]) or bend
    if bend is None or (bend.change > 0) is not warm or abs(bend.change) < 0.05:
        return None
    return bend.time_s, bend.uncertainty_s


def _plain_onset(recording: Recording, usual: Usual, warm: bool, first: int) -> tuple[float, float]:
    """Return the onset from the water alone: the turn before it left, or its passing of the usual range."""
    time_s = recording.time_s
    known = np.isfinite(recording.water_c[: first + 1])
    index = np.flatnonzero(known)
    water = recording.water_c[index]
    left_s = float(time_s[first])
    if usual.top_c is None or usual.bottom_c is None or len(water) < 10:
        return left_s, 600.0
    turns = turning_points(water, max(0.06, 0.25 * usual.width_k))
    opposite = [i for is_peak, i in turns if is_peak is not warm]
    turn_s = float(time_s[index[opposite[-1]]]) if opposite else left_s - _LOOK_BACK_S
    turn_c = float(water[opposite[-1]]) if opposite else float("nan")
    slack = 0.2 * usual.width_k
    began_early = turn_c > usual.bottom_c + slack if warm else turn_c < usual.top_c - slack
    if began_early:
        return turn_s, 600.0
    crossed = _crossing(recording, usual.top_c if warm else usual.bottom_c, warm, turn_s, left_s)
    return (left_s, 600.0) if crossed is None else (crossed, 600.0)


def _joined(found: list[Excursion]) -> list[Excursion]:
    """Join excursions of one direction that share their onset."""
    joined: list[Excursion] = []
    for one in sorted(found, key=lambda e: e.left_s):
        same = next((e for e in joined if e.warm is one.warm and one.onset_s < e.left_s), None)
        if same is None:
            joined.append(one)
            continue
        worse = one if (one.turn_c > same.turn_c) is one.warm else same
        joined[joined.index(same)] = replace(
            same,
            turn_s=worse.turn_s,
            turn_c=worse.turn_c,
            recovery_s=one.recovery_s,
            last_s=one.last_s,
            minutes_outside_band=one.minutes_outside_band + same.minutes_outside_band,
            gap_inside=one.gap_inside or same.gap_inside,
        )
    return joined
