"""The chart of a tank: water in its band, strips of heater and light, marks and a time axis, as lines."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

import numpy as np

from tankwatch.screen.chart.axis import time_ticks, value_ticks
from tankwatch.screen.chart.decimate import Columns, Floats, bridge, hold, into_columns
from tankwatch.screen.chart.dots import Dots
from tankwatch.screen.chart.strips import share_glyphs
from tankwatch.screen.feed import SeriesLike
from tankwatch.screen.ink import Line, Run, crop, fit, joined

GUTTER = 10
"""Cells left of the chart for its labels."""

_HOLD_S = 900.0
"""An on/off channel is believed this long without news: the longest silence that passes untold."""


@dataclass(frozen=True, slots=True)
class ChartMark:
    """Something on the axis: the begin of an alarm, or hands in the tank."""

    time_s: float
    shape: str
    role: str
    text: str


@dataclass(frozen=True, slots=True)
class ChartData:
    """All that one chart shows."""

    from_s: float
    to_s: float
    setpoint_c: float
    low_c: float
    high_c: float
    water: SeriesLike | None = None
    heater: SeriesLike | None = None
    light: SeriesLike | None = None
    marks: Sequence[ChartMark] = field(default_factory=tuple)
    gap_s: float = 60.0
    """Silence up to this long is drawn through."""

    @property
    def empty(self) -> bool:
        """Nothing was ever read in this window."""
        return self.water is None or not bool(np.isfinite(self.water.mean).any())


def columns_of(series: SeriesLike | None, data: ChartData, count: int) -> Columns:
    """Return a series of `data` in `count` columns over its window."""
    if series is None or len(series.time_s) == 0:
        nothing = np.full(count, np.nan)
        return Columns(nothing, nothing, nothing)
    return into_columns(series.time_s, series.low, series.high, series.mean, data.from_s, data.to_s, count)


def longest_gap(series: SeriesLike | None, data: ChartData, count: int) -> int:
    """Return how many empty columns may be drawn through."""
    column_s = (data.to_s - data.from_s) / count
    spacing_s = 0.0
    if series is not None and len(series.time_s) > 1:
        spacing_s = float(np.median(np.diff(series.time_s)))
    return math.ceil(max(data.gap_s, 1.5 * spacing_s) / column_s)


def value_range(data: ChartData, water: Columns, *, close: bool) -> tuple[float, float]:
    """Return the range of the value axis: the band and all that was read, or with `close` the water alone."""
    known = np.isfinite(water.mean)
    lows = [float(np.min(water.low[known]))] if known.any() else []
    highs = [float(np.max(water.high[known]))] if known.any() else []
    if not close or not lows:
        lows, highs = [*lows, data.low_c], [*highs, data.high_c]
    low, high = min(lows), max(highs)
    pad = max(0.06 * (high - low), 0.05)
    return low - pad, high + pad


def draw_chart(
    data: ChartData,
    width: int,
    height: int,
    zone: ZoneInfo,
    *,
    cursor_s: float | None = None,
    close: bool = False,
) -> list[Line]:
    """Draw `data` in `width` × `height` cells: the water, two strips, marks, and the axis below.

    Returns exactly `height` lines of exactly `width` cells; below 8 × 20 cells only a hint.
    """
    if width < 20 or height < 8:
        return [crop((Run("too small for a chart", "label"),), width) for _ in range(max(height, 0))]
    gutter = GUTTER
    inner = width - gutter
    rows = height - 4
    cursor = _cell_of(cursor_s, data, inner) if cursor_s is not None else None
    water = columns_of(data.water, data, 2 * inner)
    water = bridge(water, longest_gap(data.water, data, 2 * inner))
    lines = _draw_water(data, water, inner, rows, close, cursor)
    for name, series in (("heater", data.heater), ("light", data.light)):
        lines.append(
            (Run(fit(name, gutter - 1, "right") + " ", "label"), *strip(series, data, inner, cursor))
        )
    lines.append((Run(" " * gutter), *_draw_marks(data, inner, cursor)))
    lines.append((Run(" " * gutter), *_draw_axis(data, inner, zone, cursor)))
    return [crop(line, width) for line in lines]


def draw_trend(data: ChartData, width: int, rows: int) -> list[Line]:
    """Draw only the water of `data` in its band, without axis: for the wall of the room."""
    water = columns_of(data.water, data, 2 * width)
    water = bridge(water, longest_gap(data.water, data, 2 * width))
    return [line[1:] for line in _draw_water(data, water, width, rows, False, None)]


def strip(series: SeriesLike | None, data: ChartData, width: int, cursor: int | None = None) -> Line:
    """Return the share of time on in each of `width` cells."""
    shares = columns_of(series, data, width)
    column_s = (data.to_s - data.from_s) / width
    shares = hold(shares, math.ceil(_HOLD_S / column_s))
    glyphs = share_glyphs(shares.mean)
    return tuple(
        Run(glyph, "faint" if glyph == "·" else "text", "chosen" if x == cursor else "band")
        for x, glyph in enumerate(glyphs)
    )


def _cell_of(time_s: float, data: ChartData, width: int) -> int | None:
    x = math.floor((time_s - data.from_s) / (data.to_s - data.from_s) * width)
    return x if 0 <= x < width else None


def _draw_water(
    data: ChartData, water: Columns, inner: int, rows: int, close: bool, cursor: int | None
) -> list[Line]:
    low, high = value_range(data, water, close=close)
    dots = Dots(inner, rows)
    per_dot = (high - low) / (4 * rows - 1)

    def dot_row(value: float) -> int:
        return round((high - value) / per_dot)

    outside = np.zeros(inner, dtype=bool)
    before: tuple[int, int] | None = None
    for x in range(2 * inner):
        if np.isnan(water.mean[x]):
            before = None
            continue
        top, bottom = dot_row(water.high[x]), dot_row(water.low[x])
        here = (top, bottom)
        if before is not None:  # join to the neighbour without a hole
            if before[1] < top:
                top = before[1] + 1
            elif before[0] > bottom:
                bottom = before[0] - 1
        dots.column(x, top, bottom)
        before = here
        if water.low[x] < data.low_c or water.high[x] > data.high_c:
            outside[x // 2] = True
    labels = _value_labels(data, low, high, rows)
    set_row = dot_row(data.setpoint_c) // 4
    lines: list[Line] = []
    for y in range(rows):
        upper, lower = high - 4 * y * per_dot, high - (4 * y + 3) * per_dot
        ground = "band" if upper > data.low_c and lower < data.high_c else ""
        label, role = labels.get(y, ("", "label"))
        runs: list[Run] = [Run(fit(label, GUTTER - 1, "right") + " ", role)]
        for x in range(inner):
            char = dots.at(x, y)
            cell_ground = "chosen" if x == cursor else ground
            if char != " ":
                runs.append(Run(char, "high" if outside[x] and not ground else "bright", cell_ground))
            elif y == set_row:
                runs.append(Run("┄", "faint", cell_ground))
            else:
                runs.append(Run(" ", "text", cell_ground))
        lines.append(joined(runs))
    return lines


def _value_labels(data: ChartData, low: float, high: float, rows: int) -> dict[int, tuple[str, str]]:
    """Return the label of each row: limits and setpoint first, round values where room is left."""
    labels: dict[int, tuple[str, str]] = {}

    def row_of(value: float) -> int:
        return min(rows - 1, max(0, round((high - value) / (high - low) * (4 * rows - 1)) // 4))

    for value, word in ((data.setpoint_c, "set"), (data.low_c, "low"), (data.high_c, "high")):
        if low <= value <= high:
            labels.setdefault(row_of(value), (f"{word} {value:g}", "text"))
    for value in value_ticks(low, high, max(2, rows // 3)):
        row = row_of(value)
        if all(abs(row - taken) > 1 for taken in labels):
            labels[row] = (f"{value:g}", "label")
    return labels


def _draw_marks(data: ChartData, inner: int, cursor: int | None) -> Line:
    cells = [Run(" ", "text", "chosen" if x == cursor else "") for x in range(inner)]
    for mark in data.marks:
        x = _cell_of(mark.time_s, data, inner)
        if x is not None:
            cells[x] = Run(mark.shape, mark.role, cells[x].ground)
    return joined(cells)


def _draw_axis(data: ChartData, inner: int, zone: ZoneInfo, cursor: int | None) -> Line:
    row = [" "] * inner
    major = [False] * inner
    free_from = 0
    for tick in time_ticks(data.from_s, data.to_s, zone, max(1, inner // 10)):
        x = _cell_of(tick.time_s, data, inner)
        text = "╷" + tick.label
        if x is None or x < free_from or x + len(text) > inner:
            continue
        for i, char in enumerate(text):
            row[x + i] = char
            major[x + i] = tick.major
        free_from = x + len(text) + 1
    return joined(
        Run(char, "text" if is_major else "label", "chosen" if x == cursor else "")
        for x, (char, is_major) in enumerate(zip(row, major, strict=True))
    )


def value_at(series: SeriesLike | None, time_s: float, within_s: float) -> tuple[float, float, float] | None:
    """Return (low, mean, high) of the row nearest to `time_s`, or None if none is within `within_s`."""
    if series is None or len(series.time_s) == 0:
        return None
    times: Floats = series.time_s
    good = np.flatnonzero(np.isfinite(series.mean))
    if len(good) == 0:
        return None
    nearest = int(good[np.argmin(np.abs(times[good] - time_s))])
    if abs(float(times[nearest]) - time_s) > within_s:
        return None
    return float(series.low[nearest]), float(series.mean[nearest]), float(series.high[nearest])
