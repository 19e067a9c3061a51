"""The first and the newest reading, of each series and of all."""

import sqlite3
from typing import Any

from tankwatch.store.codec import BlockError, DamagedError
from tankwatch.store.fresh import fresh_span, put_newest

_NEWEST = (
    # Each is found at the end of its series, not by a walk through it.
    "SELECT series_id, row_ms, "
    "(SELECT value FROM reading AS r WHERE r.series_id = ends.series_id AND r.time_ms = row_ms), "
    "(SELECT last_ms FROM block AS b WHERE b.series_id = ends.series_id AND b.begin_h = last_h), "
    "(SELECT last_value FROM block AS b WHERE b.series_id = ends.series_id AND b.begin_h = last_h) FROM "
    "(SELECT series_id, "
    "(SELECT max(time_ms) FROM reading AS r WHERE r.series_id = s.series_id) AS row_ms, "
    "(SELECT max(begin_h) FROM block AS b WHERE b.series_id = s.series_id) AS last_h "
    "FROM series AS s) AS ends"
)
_ENDS = (
    "SELECT (SELECT min(time_ms) FROM reading WHERE series_id = s.series_id), "
    "(SELECT first_ms FROM block AS b WHERE b.series_id = s.series_id ORDER BY begin_h LIMIT 1), "
    "(SELECT max(time_ms) FROM reading WHERE series_id = s.series_id), "
    "(SELECT last_ms FROM block AS b WHERE b.series_id = s.series_id ORDER BY begin_h DESC LIMIT 1) "
    "FROM series AS s"
)


def newest_readings(
    connection: sqlite3.Connection, *, passed_over: type[BlockError] = DamagedError
) -> dict[int, tuple[int, float]]:
    """Return time (ms since 1970 UTC) and value of the newest reading of each series that has any.

    What cannot be unpacked is passed over, by default only what is damaged.

    Raises:
        BlockError: something cannot be unpacked for another reason.
    """
    newest = {
        series_id: (time_ms, value)
        for series_id, time_ms, value in map(_newer, connection.execute(_NEWEST).fetchall())
        if time_ms is not None
    }
    put_newest(connection, newest, passed_over=passed_over)
    return newest


def span_ms(connection: sqlite3.Connection) -> tuple[int, int] | None:
    """Return the times of the first and the last reading of all, or None if there is none."""
    rows = connection.execute(_ENDS).fetchall()
    firsts = [first for row in rows for first in row[:2] if first is not None]
    lasts = [last for row in rows for last in row[2:] if last is not None]
    fresh = fresh_span(connection)
    if fresh is not None:
        firsts.append(fresh[0])
        lasts.append(fresh[1])
    return (min(firsts), max(lasts)) if firsts else None


def _newer(row: tuple[Any, ...]) -> tuple[int, int | None, float]:
    """Return series, time and value of the newer of the last row and the last sealed reading."""
    series_id, row_ms, row_value, sealed_ms, sealed_value = row
    if row_ms is None or (sealed_ms is not None and sealed_ms > row_ms):
        return series_id, sealed_ms, sealed_value
    return series_id, row_ms, row_value
