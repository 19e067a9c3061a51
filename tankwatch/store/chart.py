"""A stretch of one series in equal parts, from whatever it is kept as.

However long the stretch, a bounded number of rows is read: fresh readings and rows, which are few, and
blocks. A block that lies in one part counts by the
figures beside it and only those that lie across an edge are unpacked; where a part is longer than
`_DAYS_FROM_H`, whole days count by their figures. Where readings were dropped, figures of hours stand in for
them, and figures of days where those were dropped too; each then counts whole, where its middle lies.
"""

import logging
import sqlite3
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tankwatch.store.block import HOUR_MS, Block, blocks_between, readings_of
from tankwatch.store.codec import DamagedError
from tankwatch.store.fresh import OnDamage, fresh_readings
from tankwatch.store.rollups import DAY, Horizon, horizon_of

_log = logging.getLogger(__name__)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DAY_MS = DAY * HOUR_MS

_DAYS_FROM_H = 96
"""Parts at least so long are filled with whole days; a day's blocks are fewer than these."""

_ROWS = (
    # A reading at the very end belongs to the last part.
    "SELECT min((time_ms - :from_ms) * :parts / :span_ms, :parts - 1) AS part, "
    "min(value), max(value), sum(value), count(*) FROM reading "
    "WHERE series_id = :series_id AND time_ms BETWEEN :from_ms AND :to_ms GROUP BY part"
)
_CELLS = (
    "SELECT cell, low, high, total, count FROM rollup "
    "WHERE series_id = ? AND step = ? AND cell BETWEEN ? AND ? ORDER BY cell"
)


@dataclass(frozen=True, slots=True)
class Parts:
    """How a stretch is cut; both ends belong to it."""

    from_ms: int
    to_ms: int
    count: int

    @property
    def span_ms(self) -> int:
        """Length, at least 1 ms."""
        return max(self.to_ms - self.from_ms, 1)

    def starts_ms(self, part: Ints) -> Ints:
        """Return the first time that belongs to each part."""
        return self.from_ms - (-part * self.span_ms) // self.count

    def of_one(self, time_ms: int) -> int:
        """Return the number of the part that one time lies in."""
        return min((time_ms - self.from_ms) * self.count // self.span_ms, self.count - 1)


class Tally:
    """Lowest, highest, sum and count of each part, gathered from many places."""

    def __init__(self, parts: Parts) -> None:
        """Start with nothing in any part."""
        self.parts = parts
        self._pieces: list[tuple[Ints, Floats, Floats, Floats, Ints]] = []
        self._figures: list[tuple[int, float, float, float | None, int]] = []

    def add_figures(self, part: int, low: float, high: float, total: float | None, count: int) -> None:
        """Add figures that lie in one part."""
        self._figures.append((part, low, high, total, count))

    def add_readings(self, time_ms: Ints, value: Floats) -> None:
        """Add readings in time order, those outside the stretch left out."""
        begin, end = np.searchsorted(time_ms, (self.parts.from_ms, self.parts.to_ms + 1)).tolist()
        if begin == end:
            return
        time_ms, value = time_ms[begin:end], value[begin:end]
        part = np.arange(self.parts.of_one(int(time_ms[0])), self.parts.of_one(int(time_ms[-1])) + 1)
        first = np.searchsorted(time_ms, self.parts.starts_ms(part))
        count = np.diff(first, append=len(time_ms))
        part, first, count = part[count > 0], first[count > 0], count[count > 0]
        with np.errstate(over="ignore", invalid="ignore"):
            total = np.add.reduceat(value, first)
        low, high = np.minimum.reduceat(value, first), np.maximum.reduceat(value, first)
        self._pieces.append((part, low, high, total, count))

    def rows(self) -> Floats:
        """Return (part, low, high, mean, count) of each part that holds something, in order."""
        pieces = [np.column_stack(piece) for piece in self._pieces]
        if self._figures:
            pieces.append(np.array(self._figures, dtype=np.float64))
        if not pieces:
            return np.empty((0, 5))
        table = np.concatenate(pieces)
        table = table[np.argsort(table[:, 0], kind="stable")]
        first = np.flatnonzero(np.diff(table[:, 0], prepend=-1.0))
        with np.errstate(over="ignore", invalid="ignore"):
            total = np.add.reduceat(table[:, 3], first)
            count = np.add.reduceat(table[:, 4], first)
            mean = total / count
        low = np.minimum.reduceat(table[:, 1], first)
        high = np.maximum.reduceat(table[:, 2], first)
        return np.column_stack((table[first, 0], low, high, mean, count))


def chart(
    connection: sqlite3.Connection, series_id: int | None, parts: Parts, on_damage: OnDamage | None = None
) -> Floats:
    """Return (part, low, high, mean, count) of each part that holds something, in order.

    A series that is None holds nothing. For a block that must be unpacked and is damaged the figures of its
    hours stand in, each where its middle lies, and `on_damage` is told.

    Raises:
        BlockError: a codec is missing.
    """
    tally = Tally(parts)
    if series_id is None:
        return tally.rows()
    stretch = {
        "series_id": series_id,
        "from_ms": parts.from_ms,
        "to_ms": parts.to_ms,
        "span_ms": parts.span_ms,
        "parts": parts.count,
    }
    for row in connection.execute(_ROWS, stretch).fetchall():
        tally.add_figures(*row)
    tally.add_readings(*fresh_readings(connection, series_id, parts.from_ms, parts.to_ms, on_damage))
    horizon = horizon_of(connection, series_id)
    blocks_from_ms = _add_stand_ins(connection, series_id, horizon, tally)
    unpacked = _Unpacked(connection)
    for begin_ms, end_ms in _add_days(connection, series_id, blocks_from_ms, tally):
        for block in blocks_between(connection, series_id, begin_ms, end_ms - 1):
            try:
                _add_block(unpacked, block, begin_ms, end_ms, tally)
            except DamagedError as error:
                _log.error("a block of series %d is left out of a chart: %s", series_id, error)
                begin_h, end_h = block.begin_h * HOUR_MS, block.end_h * HOUR_MS
                _add_cells(
                    connection, series_id, 1, min(end_h, end_ms), tally, from_ms=max(begin_h, begin_ms)
                )
                if on_damage is not None:
                    on_damage(block.first_ms, block.last_ms)
    return tally.rows()


class _Unpacked:
    """Keeps the last unpacked block: one with few readings may lie across many edges."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._values_id = -1
        self._readings: tuple[Ints, Floats] = (np.empty(0, np.int64), np.empty(0))

    def readings(self, block: Block) -> tuple[Ints, Floats]:
        if block.values_id != self._values_id:
            self._readings = readings_of(self._connection, block)
            self._values_id = block.values_id
        return self._readings


def _add_block(unpacked: _Unpacked, block: Block, begin_ms: int, end_ms: int, tally: Tally) -> None:
    """Add what of `block` lies from `begin_ms` to before `end_ms`."""
    parts = tally.parts
    if begin_ms <= block.first_ms and block.last_ms < end_ms:
        part = parts.of_one(block.first_ms)
        if part == parts.of_one(block.last_ms):
            tally.add_figures(part, block.low, block.high, block.total, block.count)
            return
    time_ms, value = unpacked.readings(block)
    begin, end = np.searchsorted(time_ms, (begin_ms, end_ms)).tolist()
    tally.add_readings(time_ms[begin:end], value[begin:end])


def _add_days(
    connection: sqlite3.Connection, series_id: int, from_ms: int, tally: Tally
) -> list[tuple[int, int]]:
    """Add the whole days that lie in one part; return the stretches left over, ends not included."""
    parts = tally.parts
    if parts.span_ms < _DAYS_FROM_H * HOUR_MS * parts.count:
        return [(from_ms, parts.to_ms + 1)]
    left: list[tuple[int, int]] = []
    place = from_ms
    first, last = -(-from_ms // DAY_MS), (parts.to_ms + 1) // DAY_MS - 1
    for day, *figures in connection.execute(_CELLS, (series_id, DAY, first, last)).fetchall():
        begin_ms = day * DAY_MS
        part = parts.of_one(begin_ms)
        if part != parts.of_one(begin_ms + DAY_MS - 1):
            continue
        if place < begin_ms:
            left.append((place, begin_ms))
        place = begin_ms + DAY_MS
        tally.add_figures(part, *figures)
    if place <= parts.to_ms:
        left.append((place, parts.to_ms + 1))
    return left


def _add_stand_ins(connection: sqlite3.Connection, series_id: int, horizon: Horizon, tally: Tally) -> int:
    """Add figures for readings that were dropped; return from when on there are readings, in ms."""
    parts = tally.parts
    readings_from_ms = parts.from_ms
    if horizon.readings_from_h is not None:
        readings_from_ms = max(readings_from_ms, horizon.readings_from_h * HOUR_MS)
        hours_from_ms = parts.from_ms
        if horizon.hours_from_h is not None:
            hours_from_ms = max(hours_from_ms, horizon.hours_from_h * HOUR_MS)
            _add_cells(connection, series_id, DAY, min(hours_from_ms, readings_from_ms), tally)
        _add_cells(connection, series_id, 1, readings_from_ms, tally, from_ms=hours_from_ms)
    return readings_from_ms


def _add_cells(
    connection: sqlite3.Connection,
    series_id: int,
    step: int,
    to_ms: int,
    tally: Tally,
    *,
    from_ms: int | None = None,
) -> None:
    """Add figures of cells in the stretch and before `to_ms`; the middle of each says where it belongs."""
    parts, cell_ms = tally.parts, step * HOUR_MS
    begin_ms = parts.from_ms if from_ms is None else from_ms
    first, last = begin_ms // cell_ms, min(parts.to_ms, to_ms - 1) // cell_ms
    for cell, *figures in connection.execute(_CELLS, (series_id, step, first, last)).fetchall():
        middle_ms = cell * cell_ms + cell_ms // 2
        if begin_ms <= middle_ms < to_ms and middle_ms <= parts.to_ms:
            tally.add_figures(parts.of_one(middle_ms), *figures)
