"""Figures of whole hours and days (UTC) of each series: lowest, highest, sum, count, and time on.

They are made when readings are sealed, and made anew for the hours that a late reading falls into. Sums and
counts are of sealed readings only: what is not sealed yet is added by whoever asks.
"""

import sqlite3
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tankwatch.store.block import HOUR_MS, block_before, block_from

HOLD_MS = 900_000
"""Time on is counted with states that hold this long without news."""

HOUR, DAY = 1, 24
"""Length of a cell in hours, and its name in the table."""

_PUT = (
    "INSERT OR REPLACE INTO rollup (series_id, step, cell, low, high, total, count, on_ms) "
    "VALUES (?, 1, ?, ?, ?, ?, ?, ?)"
)
_ADD = (
    "INSERT INTO rollup (series_id, step, cell, low, high, total, count, on_ms) "
    "VALUES (?, 1, ?, ?, ?, ?, ?, ?) ON CONFLICT (series_id, step, cell) DO UPDATE SET "
    "low = min(low, excluded.low), high = max(high, excluded.high), total = total + excluded.total, "
    "count = count + excluded.count, on_ms = on_ms + excluded.on_ms"
)
_PUT_DAY = (
    "INSERT OR REPLACE INTO rollup (series_id, step, cell, low, high, total, count, on_ms) "
    "SELECT series_id, 24, :day, min(low), max(high), sum(total), sum(count), sum(on_ms) FROM rollup "
    "WHERE series_id = :series_id AND step = 1 AND cell BETWEEN :day * 24 AND :day * 24 + 23 "
    "GROUP BY series_id"
)


@dataclass(frozen=True, slots=True)
class Horizon:
    """What of a series was dropped already."""

    readings_from_h: int | None
    """First hour whose readings are kept; None: all are."""
    hours_from_h: int | None
    """First hour whose figures are kept."""


def horizon_of(connection: sqlite3.Connection, series_id: int) -> Horizon:
    """Return what of a series was dropped."""
    row = connection.execute(
        "SELECT readings_from_h, hours_from_h FROM series WHERE series_id = ?", (series_id,)
    ).fetchone()
    return Horizon(*row)


def put_rollups(
    connection: sqlite3.Connection,
    series_id: int,
    time_ms: NDArray[np.int64],
    value: NDArray[np.float64],
    *,
    on_off: bool,
    followed_ms: int | None,
) -> None:
    """Make the figures of the hours and days of newly sealed readings, in the transaction that is open.

    `time_ms` and `value` are all sealed readings from their first hour to their last; their blocks are
    written already. `followed_ms` is the first sealed time from that first hour on as it was before.
    """
    horizon = horizon_of(connection, series_id)
    hour = time_ms // HOUR_MS
    first_h, last_h = int(hour[0]), int(hour[-1])
    begin = np.flatnonzero(np.diff(hour, prepend=hour[0] - 1))
    on_ms = None
    if on_off:
        after = block_from(connection, series_id, last_h + 1)
        following = np.append(time_ms[1:], np.iinfo(np.int64).max if after is None else after.first_ms)
        held = np.where(value >= 0.5, np.minimum(following - time_ms, HOLD_MS), 0)
        on_ms = np.add.reduceat(held, begin).tolist()
        _mend_before(connection, series_id, int(time_ms[0]), first_h, followed_ms)
    with np.errstate(over="ignore", invalid="ignore"):
        total = np.add.reduceat(value, begin)
    cells = zip(
        hour[begin].tolist(),
        np.minimum.reduceat(value, begin).tolist(),
        np.maximum.reduceat(value, begin).tolist(),
        total.tolist(),
        np.diff(begin, append=len(hour)).tolist(),
        on_ms or [None] * len(begin),
        strict=True,
    )
    kept_from_h = first_h if horizon.readings_from_h is None else horizon.readings_from_h
    for cell in cells:
        # Where readings were dropped the figures cannot be made anew: what is late is added to them.
        connection.execute(_PUT if cell[0] >= kept_from_h else _ADD, (series_id, *cell))
    for day in range((first_h - 1) // DAY, last_h // DAY + 1):
        if horizon.hours_from_h is None or day * DAY >= horizon.hours_from_h:
            connection.execute(_PUT_DAY, {"series_id": series_id, "day": day})


def _mend_before(
    connection: sqlite3.Connection, series_id: int, first_ms: int, first_h: int, followed_ms: int | None
) -> None:
    """Correct the time on of the last reading before: another one follows it now."""
    before = block_before(connection, series_id, first_h)
    if before is None or before.last_value < 0.5:
        return
    was_ms = HOLD_MS if followed_ms is None else min(followed_ms - before.last_ms, HOLD_MS)
    change_ms = min(first_ms - before.last_ms, HOLD_MS) - was_ms
    if change_ms:
        connection.execute(
            "UPDATE rollup SET on_ms = on_ms + ? WHERE series_id = ? AND step = 1 AND cell = ?",
            (change_ms, series_id, before.last_ms // HOUR_MS),
        )
