"""What the store holds of one tank over a stretch, put on a grid of minutes; a gap stays a gap.

Minutes without a reading are NaN. A pause that healthy probes make too (three intervals, at least a minute)
is drawn through; anything longer is a gap, and nothing is ever computed across one.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tankwatch.alarms.model import Transition
from tankwatch.config import TankConfig
from tankwatch.decode.channel import FAULT_CODES_C
from tankwatch.reading import Channel
from tankwatch.store.entry import StoredMark
from tankwatch.store.room_reader import RoomReader
from tankwatch.store.series import HOLD_S

Floats = NDArray[np.float64]

LEAD_S = 48 * 3600.0
"""Time before the stretch that tells what was usual."""
_CHUNK_S = 7 * 86_400.0
_SPIKE_K = 1.5
"""A reading this far from the middle of its neighbours is no water."""
_WATER_C = (-2.0, 60.0)


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch without usable water temperatures, seconds since 1970 UTC."""

    from_s: float
    to_s: float

    @property
    def minutes(self) -> float:
        """Length in minutes."""
        return (self.to_s - self.from_s) / 60.0


@dataclass(frozen=True, slots=True)
class Recording:
    """One tank on a regular grid; the arrays have one element a step, NaN where nothing is known."""

    tank: TankConfig
    from_s: float
    to_s: float
    step_s: float
    time_s: Floats
    """Middles of the steps, from `LEAD_S` before the stretch up to its end; seconds since 1970 UTC."""
    water_c: Floats
    """Means of the usable readings."""
    on: Floats
    """Share of the step in which the heater was shown on, 0..1."""
    light: Floats
    """Share of the step with the lamp on, 0..1."""
    air_c: Floats
    power_w: Floats
    switches: tuple[tuple[float, bool], ...]
    """Time and new state of the heater, as shown."""
    gaps: tuple[Gap, ...]
    """Within the stretch."""
    readings: int
    """Usable water readings within the stretch."""
    refused: int
    """Readings within the stretch that no water gives: fault codes and spikes."""
    marks: tuple[StoredMark, ...]
    steps: tuple[Transition, ...]

    @property
    def inside(self) -> "NDArray[np.bool_]":
        """Which steps belong to the stretch itself."""
        return (self.time_s >= self.from_s) & (self.time_s <= self.to_s)

    @property
    def heater_measured(self) -> bool:
        """Tell whether the heater's state was recorded at all."""
        return bool(np.isfinite(self.on).any())

    @property
    def air_measured(self) -> bool:
        """Tell whether the room's air was recorded at all."""
        return bool(np.isfinite(self.air_c).any())


def record(reader: RoomReader, tank: TankConfig, from_s: float, to_s: float) -> Recording:
    """Read what the store holds of `tank`.

    Raises:
        StoreError: the store cannot be read.
    """
    lead_from_s = from_s - LEAD_S
    step_s = max(60.0, tank.probe_interval_s)
    count = max(1, int(np.ceil((to_s - lead_from_s) / step_s)))
    edges = to_s - step_s * np.arange(count, -1, -1.0)
    time_s, value = _read(reader, tank.id, Channel.TEMPERATURE, lead_from_s, to_s)
    usable = _usable(value)
    in_span = (time_s >= from_s) & (time_s <= to_s)
    wet_s, wet_c = time_s[usable], value[usable]
    gap_s = max(3.0 * tank.probe_interval_s, 60.0)
    water = _draw_through(_means(edges, wet_s, wet_c), wet_s, edges, gap_s)
    heater_s, heater = _read(reader, tank.id, Channel.HEATER, lead_from_s - HOLD_S, to_s)
    lamp_s, lamp = _read(reader, tank.id, Channel.LIGHT, lead_from_s - HOLD_S, to_s)
    air = _means(edges, *_read(reader, tank.id, Channel.AIR, lead_from_s, to_s))
    power = _means(edges, *_read(reader, tank.id, Channel.POWER, lead_from_s, to_s))
    return Recording(
        tank=tank,
        from_s=from_s,
        to_s=to_s,
        step_s=step_s,
        time_s=(edges[:-1] + edges[1:]) / 2,
        water_c=water,
        on=_share_on(edges, heater_s, heater),
        light=_share_on(edges, lamp_s, lamp),
        air_c=_hold(air, int(HOLD_S / step_s)),
        power_w=power,
        switches=_switches(heater_s, heater),
        gaps=_gaps(wet_s, from_s, to_s, gap_s),
        readings=int((usable & in_span).sum()),
        refused=int((~usable & in_span).sum()),
        marks=tuple(reader.marks(lead_from_s, to_s, tank.id)),
        steps=tuple(reader.steps(from_s, to_s, tank.id)),
    )


def _read(
    reader: RoomReader, tank: str, channel: Channel, from_s: float, to_s: float
) -> tuple[Floats, Floats]:
    """Return times and values, asked for week by week so that a year needs little memory."""
    times, values = [], []
    begin_s = from_s
    while True:
        end_s = min(begin_s + _CHUNK_S, to_s)
        last = end_s >= to_s
        part = reader.series(tank, channel, begin_s, to_s if last else end_s - 0.001)
        times.append(part.time_s)
        values.append(part.mean)
        if last:
            return np.concatenate(times), np.concatenate(values)
        begin_s = end_s


def _usable(value: Floats) -> "NDArray[np.bool_]":
    """Tell which readings can be water: no fault code, nothing absurd, no lone spike."""
    good = (value > _WATER_C[0]) & (value < _WATER_C[1]) & ~np.isin(value, list(FAULT_CODES_C))
    kept = value[good]
    if len(kept) >= 5:
        padded = np.concatenate([kept[:1].repeat(2), kept, kept[-1:].repeat(2)])
        around = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
        good[np.flatnonzero(good)[np.abs(kept - around) > _SPIKE_K]] = False
    return good


def _means(edges: Floats, time_s: Floats, value: Floats) -> Floats:
    """Return the mean of each step, NaN where it holds no reading."""
    bins = np.searchsorted(edges, time_s, side="right") - 1
    fits = (bins >= 0) & (bins < len(edges) - 1)
    number = np.bincount(bins[fits], minlength=len(edges) - 1)
    total = np.bincount(bins[fits], weights=value[fits], minlength=len(edges) - 1)
    with np.errstate(invalid="ignore"):
        return np.where(number > 0, total / np.maximum(number, 1), np.nan)


def _draw_through(mean: Floats, wet_s: Floats, edges: Floats, gap_s: float) -> Floats:
    """Fill empty steps between two readings that are no further apart than a healthy pause."""
    empty = np.flatnonzero(np.isnan(mean))
    if len(empty) == 0 or len(wet_s) < 2:
        return mean
    middle = (edges[:-1] + edges[1:])[empty] / 2
    after = np.searchsorted(wet_s, middle)
    inner = (after > 0) & (after < len(wet_s))
    short = np.zeros(len(empty), dtype=bool)
    short[inner] = wet_s[after[inner]] - wet_s[after[inner] - 1] <= gap_s
    known = np.flatnonzero(~np.isnan(mean))
    mean[empty[short]] = np.interp(empty[short], known, mean[known])
    return mean


def _hold(value: Floats, steps: int) -> Floats:
    """Carry the last known value forward for at most `steps` steps."""
    index = np.where(np.isnan(value), -1, np.arange(len(value)))
    last = np.maximum.accumulate(index) if len(index) else index
    held = np.where(last >= 0, value[np.maximum(last, 0)], np.nan)
    return np.where(np.arange(len(value)) - last <= steps, held, np.nan)


def _share_on(edges: Floats, time_s: Floats, value: Floats) -> Floats:
    """Return the share of each step that was on; NaN where less than half of the step is known."""
    if len(time_s) == 0:
        return np.full(len(edges) - 1, np.nan)
    spacing = float(np.median(np.diff(time_s))) if len(time_s) > 1 else HOLD_S
    hold_s = float(np.clip(3.0 * spacing, 60.0, HOLD_S))
    end_s = np.minimum(np.append(time_s[1:], np.inf), time_s + hold_s)
    width = np.diff(edges)

    def total(weight: Any) -> Floats:
        # A piecewise linear sum of time: flat where nothing is known.
        points = np.column_stack([time_s, end_s]).ravel()
        sums = np.repeat(np.cumsum((end_s - time_s) * weight), 2)
        sums[::2] -= (end_s - time_s) * weight
        return np.diff(np.interp(edges, points, sums))

    known = total(np.ones(len(time_s)))
    share = total((value >= 0.5).astype(float)) / np.maximum(known, 1e-9)
    return np.where(known >= 0.5 * width, np.clip(share, 0.0, 1.0), np.nan)


def _switches(time_s: Floats, value: Floats) -> tuple[tuple[float, bool], ...]:
    state = value >= 0.5
    changed = np.flatnonzero(state[1:] != state[:-1]) + 1
    return tuple((float(time_s[i]), bool(state[i])) for i in changed)


def _gaps(wet_s: Floats, from_s: float, to_s: float, gap_s: float) -> tuple[Gap, ...]:
    within = wet_s[(wet_s > from_s - gap_s) & (wet_s < to_s)]
    points = np.concatenate([[min(from_s, within[0]) if len(within) else from_s], within, [to_s]])
    wide = np.flatnonzero(np.diff(points) > gap_s)
    return tuple(Gap(max(float(points[i]), from_s), float(points[i + 1])) for i in wide)
