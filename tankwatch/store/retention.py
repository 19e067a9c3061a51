"""What is dropped, and what for; every drop is noted in the table `dropped`.

By age: readings, then figures of hours. By size: the oldest day of them, again and again. For want of room
on the disk, in this order, oldest day first and no more than needed:

    1. readings older than a week
    2. figures of hours older than a month

Figures of days, steps of alarms, marks, the care log, messages and what was learned are never dropped.
"""

import sqlite3
from dataclasses import dataclass

from tankwatch.store.block import HOUR_MS, blocks_ended_by, delete_blocks
from tankwatch.store.keeping import MIB, Keeping
from tankwatch.store.rollups import DAY, HOUR

DAY_MS = DAY * HOUR_MS

READINGS_KEPT_DAYS = 7
HOURS_KEPT_DAYS = 31
"""Newer ones are not dropped for want of room."""

_BLOCKS_AT_ONCE = 100
_ROWS_AT_ONCE = 5000
_HOUR_BYTES = 48
"""Estimated size of the figures of one hour."""

_BY_AGE, _BY_SIZE, _FOR_ROOM = "older than {}", "more than {}", "the disk is nearly full"


@dataclass(frozen=True, slots=True)
class Wish:
    """One thing to drop."""

    what: str
    """`readings` or `hours`."""
    before_day: int
    """First day that stays, counted since 1970 UTC."""
    why: str


def wish(
    connection: sqlite3.Connection, keeping: Keeping, now_s: float, *, short_of_room: bool
) -> Wish | None:
    """Return what should be dropped next, or None."""
    today = int(now_s // 86_400)
    first_readings, first_hours = _first_day(connection, "readings"), _first_day(connection, "hours")
    for what, first, days, mb, size, key in (
        ("readings", first_readings, keeping.readings_days, keeping.readings_mb, _readings_bytes, "readings"),
        ("hours", first_hours, keeping.hours_days, keeping.hours_mb, _hours_bytes, "hours"),
    ):
        if first is None or first >= today:
            continue
        if days > 0.0 and first < (oldest := int((now_s - days * 86_400) // 86_400)):
            return Wish(what, oldest, _BY_AGE.format(f"{key}_days = {days:g}"))
        if mb > 0.0 and size(connection) > mb * MIB:
            return Wish(what, first + 1, _BY_SIZE.format(f"{key}_mb = {mb:g}"))
    if short_of_room:
        if first_readings is not None and first_readings < today - READINGS_KEPT_DAYS:
            return Wish("readings", first_readings + 1, _FOR_ROOM)
        if first_hours is not None and first_hours < today - HOURS_KEPT_DAYS:
            return Wish("hours", first_hours + 1, _FOR_ROOM)
    return None


def fulfil(connection: sqlite3.Connection, wanted: Wish, now_s: float) -> int:
    """Drop some of what is `wanted` in the open transaction; return how many, 0 if nothing is left."""
    drop = _drop_readings if wanted.what == "readings" else _drop_hours
    count, first_ms, end_ms = drop(connection, wanted.before_day)
    if count:
        connection.execute(
            "INSERT INTO dropped (day, what, why, count, from_ms, to_ms, time_s) "
            "VALUES (?, ?, ?, ?, ?, ?, ?) "
            "ON CONFLICT (day, what, why) DO UPDATE SET count = count + excluded.count, "
            "from_ms = min(from_ms, excluded.from_ms), to_ms = max(to_ms, excluded.to_ms), "
            "time_s = excluded.time_s",
            (int(now_s // 86_400), wanted.what, wanted.why, count, first_ms, end_ms, now_s),
        )
    return count


def _drop_readings(connection: sqlite3.Connection, before_day: int) -> tuple[int, int, int]:
    before_h, before_ms = before_day * DAY, before_day * DAY_MS
    count, first_ms, end_ms, room = 0, before_ms, 0, _BLOCKS_AT_ONCE
    for (series_id,) in connection.execute("SELECT series_id FROM series ORDER BY series_id").fetchall():
        blocks = blocks_ended_by(connection, series_id, before_h, room)
        delete_blocks(connection, blocks)
        # Rows that were not sealed yet go when they are in the way of nothing else.
        late = connection.execute(
            "SELECT count(*), min(time_ms), max(time_ms) FROM reading WHERE series_id = ? AND time_ms < ?",
            (series_id, before_ms),
        ).fetchone()
        if late[0]:
            connection.execute(
                "DELETE FROM reading WHERE series_id = ? AND time_ms < ?", (series_id, before_ms)
            )
            count, first_ms, end_ms = count + late[0], min(first_ms, late[1]), max(end_ms, late[2])
        if blocks:
            count += sum(block.count for block in blocks)
            first_ms, end_ms = min(first_ms, blocks[0].first_ms), max(end_ms, blocks[-1].last_ms)
            connection.execute(
                "UPDATE series SET readings_from_h = max(coalesce(readings_from_h, :end_h), :end_h) "
                "WHERE series_id = :series_id",
                {"end_h": blocks[-1].end_h, "series_id": series_id},
            )
            room -= len(blocks)
        if room <= 0 or late[0] > _ROWS_AT_ONCE:
            break
    return count, first_ms, end_ms


def _drop_hours(connection: sqlite3.Connection, before_day: int) -> tuple[int, int, int]:
    before_h = before_day * DAY
    for (series_id,) in connection.execute("SELECT series_id FROM series ORDER BY series_id").fetchall():
        first, last, count = connection.execute(
            "SELECT min(cell), max(cell), count(*) FROM (SELECT cell FROM rollup WHERE series_id = ? "
            "AND step = ? AND cell < ? ORDER BY cell LIMIT ?)",
            (series_id, HOUR, before_h, _ROWS_AT_ONCE),
        ).fetchone()
        if not count:
            continue
        connection.execute(
            "DELETE FROM rollup WHERE series_id = ? AND step = ? AND cell <= ?", (series_id, HOUR, last)
        )
        kept_from_h = (last // DAY + 1) * DAY
        connection.execute(
            "UPDATE series SET hours_from_h = max(coalesce(hours_from_h, :kept_from_h), :kept_from_h) "
            "WHERE series_id = :series_id",
            {"kept_from_h": kept_from_h, "series_id": series_id},
        )
        return int(count), first * HOUR_MS, (last + 1) * HOUR_MS
    return 0, 0, 0


def _first_day(connection: sqlite3.Connection, what: str) -> int | None:
    """Return the oldest day of which readings (sealed or rows) or figures of hours are kept."""
    if what == "readings":
        rows = connection.execute(
            "SELECT (SELECT end_h - 1 FROM block AS b WHERE b.series_id = s.series_id "
            "ORDER BY begin_h LIMIT 1), "
            "(SELECT min(time_ms) FROM reading AS r WHERE r.series_id = s.series_id) FROM series AS s"
        ).fetchall()
        hours = [h for h, _ in rows if h is not None] + [ms // HOUR_MS for _, ms in rows if ms is not None]
    else:
        rows = connection.execute(
            "SELECT (SELECT min(cell) FROM rollup AS c WHERE c.series_id = s.series_id AND step = 1) "
            "FROM series AS s"
        ).fetchall()
        hours = [h for (h,) in rows if h is not None]
    return min(hours) // DAY if hours else None


def _readings_bytes(connection: sqlite3.Connection) -> int:
    (sealed,) = connection.execute("SELECT coalesce(sum(bytes), 0) FROM block").fetchone()
    return int(sealed)


def _hours_bytes(connection: sqlite3.Connection) -> int:
    (count,) = connection.execute("SELECT count(*) FROM rollup WHERE step = 1").fetchone()
    return int(count) * _HOUR_BYTES
