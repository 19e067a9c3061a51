"""Time on of a heater or light over any stretch, without reading every state of it.

Whole hours and days count by their figures, which hold for readings that keep their state until the next one.
Where that is not so (the ends of the stretch, and the hours around readings that are not sealed yet), the
readings themselves are read.
"""

import sqlite3
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from tankwatch.store.block import HOUR_MS
from tankwatch.store.fresh import fresh_readings
from tankwatch.store.rollups import DAY, HOLD_MS

Readings = Callable[[int, int], tuple[NDArray[np.int64], NDArray[np.float64]]]
"""Gives times and values of all readings from a time to a time in ms, both included."""

_DAY_MS = DAY * HOUR_MS


def on_time_ms(
    connection: sqlite3.Connection, series_id: int, from_ms: int, to_ms: int, readings: Readings
) -> int:
    """Return for how long a series was on from `from_ms` to `to_ms`, in ms; a state holds for `HOLD_MS`."""
    total_ms = 0
    place_ms = from_ms - HOLD_MS  # readings from here on may matter
    for begin_ms, end_ms in _quiet(connection, series_id, from_ms, to_ms - HOLD_MS):
        total_ms += _by_figures(connection, series_id, begin_ms, end_ms)
        total_ms += _by_readings(readings, place_ms, begin_ms, from_ms, to_ms)
        place_ms = end_ms
    return total_ms + _by_readings(readings, place_ms, to_ms + 1, from_ms, to_ms)


def _quiet(connection: sqlite3.Connection, series_id: int, from_ms: int, to_ms: int) -> list[tuple[int, int]]:
    """Return the stretches of whole hours between the two whose figures hold, in order."""
    first, end = -(-from_ms // HOUR_MS), to_ms // HOUR_MS
    (kept_from_h,) = connection.execute(
        "SELECT hours_from_h FROM series WHERE series_id = ?", (series_id,)
    ).fetchone()
    if kept_from_h is not None and kept_from_h > first:
        first = -(-first // DAY) * DAY  # only days are kept of what is older
    if end <= first:
        return []
    rows = connection.execute(
        "SELECT DISTINCT time_ms / :quarter FROM reading "
        "WHERE series_id = :series_id AND time_ms >= :from_ms AND time_ms < :to_ms",
        {
            "quarter": HOLD_MS,
            "series_id": series_id,
            "from_ms": first * HOUR_MS,
            "to_ms": end * HOUR_MS + HOLD_MS,
        },
    ).fetchall()
    fresh_ms, _ = fresh_readings(connection, series_id, first * HOUR_MS, end * HOUR_MS + HOLD_MS)
    quarters = {quarter for (quarter,) in rows}.union(np.unique(fresh_ms // HOLD_MS).tolist())
    # Such a row cuts short what held before it. One quarter of an hour more, as SQLite divides towards zero.
    loud = {(quarter + more) * HOLD_MS // HOUR_MS for quarter in quarters for more in (-2, -1, 0)}
    stretches, place = [], first
    for hour in sorted(loud):
        if place < hour < end:
            stretches.append((place * HOUR_MS, hour * HOUR_MS))
        place = max(place, hour + 1)
    if place < end:
        stretches.append((place * HOUR_MS, end * HOUR_MS))
    return stretches


def _by_figures(connection: sqlite3.Connection, series_id: int, begin_ms: int, end_ms: int) -> int:
    """Return the time on of readings from `begin_ms` to before `end_ms`, both the start of an hour."""
    first_day, end_day = -(-begin_ms // _DAY_MS), end_ms // _DAY_MS
    if first_day >= end_day:
        return _sum(connection, series_id, 1, begin_ms // HOUR_MS, end_ms // HOUR_MS)
    return (
        _sum(connection, series_id, 1, begin_ms // HOUR_MS, first_day * DAY)
        + _sum(connection, series_id, DAY, first_day, end_day)
        + _sum(connection, series_id, 1, end_day * DAY, end_ms // HOUR_MS)
    )


def _sum(connection: sqlite3.Connection, series_id: int, step: int, first: int, end: int) -> int:
    (on_ms,) = connection.execute(
        "SELECT coalesce(sum(on_ms), 0) FROM rollup "
        "WHERE series_id = ? AND step = ? AND cell >= ? AND cell < ?",
        (series_id, step, first, end),
    ).fetchone()
    return int(on_ms)


def _by_readings(readings: Readings, begin_ms: int, end_ms: int, from_ms: int, to_ms: int) -> int:
    """Return the time on within the stretch of readings from `begin_ms` to before `end_ms`."""
    if end_ms <= begin_ms:
        return 0
    time_ms, value = readings(begin_ms, min(end_ms + HOLD_MS, to_ms))
    following = np.append(time_ms[1:], np.iinfo(np.int64).max)
    begin = np.maximum(time_ms, from_ms)
    end = np.minimum(np.minimum(following, time_ms + HOLD_MS), to_ms)
    counts = (value >= 0.5) & (time_ms < end_ms)
    return int(np.maximum(end - begin, 0)[counts].sum())
