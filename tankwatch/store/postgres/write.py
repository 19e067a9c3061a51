"""Writing to the central store: each function works in the transaction that is open.

Readings come by COPY into a staging table and from there into their months; one already there, by place,
channel and time, is left alone, as in the file of one room. Figures of hours and days grow by exactly the
readings that were new, so a batch sent twice changes nothing.
"""

import math
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from tankwatch.alarms.model import Transition
from tankwatch.reading import Channel, Reading, ServiceMark
from tankwatch.store import rows
from tankwatch.store.postgres.connection import connect, told
from tankwatch.store.postgres.schema import migrate

if TYPE_CHECKING:
    import psycopg

    Connection = psycopg.Connection[tuple[Any, ...]]

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
BATCH = 50_000
"""Readings per COPY."""

_MAX_MS = 1 << 53
_MONTHS_FROM_MS, _MONTHS_TO_MS = 946_684_800_000, 253_402_300_800_000
"""Months are made for times from 2000 to 9999 at most; other times have no month."""

_STAGING = (
    "CREATE TEMP TABLE IF NOT EXISTS staging (ord integer, place_id integer, channel_id smallint, "
    "time_ms bigint, value double precision) ON COMMIT DELETE ROWS"
)
_INSERT = """
WITH new AS (
    INSERT INTO reading (place_id, channel_id, time_ms, value)
    SELECT place_id, channel_id, time_ms, value FROM pg_temp.staging ORDER BY ord
    ON CONFLICT DO NOTHING RETURNING place_id, channel_id, time_ms, value
), figures AS (
    INSERT INTO rollup AS r (place_id, channel_id, step, cell, low, high, total, count)
    SELECT place_id, channel_id, step, (time_ms - mod(mod(time_ms, step * 3600000::bigint)
        + step * 3600000::bigint, step * 3600000::bigint)) / (step * 3600000::bigint) AS cell,
        min(value), max(value), sum(greatest(least(value, 1e290), -1e290)), count(*)
    FROM new CROSS JOIN (VALUES (1::smallint), (24::smallint)) AS steps (step)
    GROUP BY place_id, channel_id, step, cell ORDER BY 1, 2, 3, 4
    ON CONFLICT (place_id, channel_id, step, cell) DO UPDATE SET
        low = least(r.low, excluded.low), high = greatest(r.high, excluded.high),
        total = r.total + excluded.total, count = r.count + excluded.count
)
SELECT count(*) FROM new
"""
"""Cells are counted downwards before 1970 too; a sum cannot leave the range of numbers."""

STEP_COLUMNS = (
    "time_s, alarm_id, tank, condition, subject, priority, from_state, state, since_s, changed_s, "
    "message, value, margin_min, evidence, alarm_who, who, why, holds, until_s"
)


def text_of(value: Any) -> Any:
    """Return `value` with the one character that PostgreSQL refuses in a text replaced."""
    return value.replace("\x00", "\ufffd") if isinstance(value, str) else value


def place_ids(connection: "Connection", room: str, tanks: Iterable[str]) -> dict[str, int]:
    """Return the numbers of tanks of a room, making those that are new."""
    names = {tank: text_of(rows.clean(tank)) for tank in tanks}
    wanted = sorted(set(names.values()))
    connection.execute(
        "INSERT INTO place (room, tank) SELECT %s, t FROM unnest(%s::text[]) AS t "
        "WHERE NOT EXISTS (SELECT FROM place WHERE room = %s AND tank = t) ON CONFLICT DO NOTHING",
        (room, wanted, room),
    )
    known: dict[str, int] = dict(
        connection.execute(
            "SELECT tank, place_id FROM place WHERE room = %s AND tank = ANY(%s)", (room, wanted)
        ).fetchall()
    )
    return {tank: known[name] for tank, name in names.items()}


def write_readings(connection: "Connection", room: str, readings: Sequence[Reading]) -> int:
    """Write readings of one room, marks and retained ones left out; return how many were new."""
    sound = [(r, time_ms) for r in readings if (time_ms := _time_ms_or_none(r)) is not None]
    if not sound:
        return 0
    places = place_ids(connection, room, {r.tank for r, _ in sound})
    channels: dict[str, int] = dict(connection.execute("SELECT name, channel_id FROM channel").fetchall())
    for month_ms in _months(time_ms for _, time_ms in sound):
        connection.execute("SELECT make_month(%s)", (month_ms,))
    connection.execute(_STAGING)
    # All writers touch cells in the same order, so that none waits for another in a circle.
    sound.sort(key=lambda pair: (places[pair[0].tank], channels[pair[0].channel], pair[1]))
    with connection.cursor() as cursor:
        with cursor.copy("COPY pg_temp.staging FROM STDIN (FORMAT BINARY)") as copy:
            copy.set_types(["int4", "int4", "int2", "int8", "float8"])
            for order, (r, time_ms) in enumerate(sound):
                copy.write_row((order, places[r.tank], channels[r.channel], time_ms, float(r.value)))
        row = cursor.execute(_INSERT).fetchone()
        cursor.execute("DELETE FROM pg_temp.staging")
    return int(row[0]) if row else 0


def write_steps(connection: "Connection", room: str, steps: Iterable[Transition]) -> None:
    """Write steps of alarms of one room in their order."""
    statement = f"INSERT INTO step (room, {STEP_COLUMNS}) VALUES (%s{', %s' * len(STEP_COLUMNS.split(','))})"
    with connection.cursor() as cursor:
        cursor.executemany(statement, [(room, *map(text_of, rows.step_row(s))) for s in steps])


def write_mark(
    connection: "Connection", room: str, tank: str, mark: ServiceMark, time_s: float, who: str
) -> None:
    """Write a service mark; the same mark at the same time is kept once."""
    connection.execute(
        "INSERT INTO mark (room, tank, time_s, mark, who) VALUES (%s, %s, %s, %s, %s) ON CONFLICT DO NOTHING",
        (room, *map(text_of, rows.mark_row(tank, time_s, mark, who))),
    )


def write_history(url: str, room: str, readings: Iterable[Reading], steps: Iterable[Transition] = ()) -> int:
    """Write a history to the store at `url`, whose tables are made first; return how many readings are new.

    Raises:
        StoreError: the store cannot be reached or written.
    """
    known = list(readings)
    with told("cannot be written"), connect(url) as connection:
        migrate(connection)
        new = 0
        for start in range(0, len(known), BATCH):
            with connection.transaction():
                new += write_readings(connection, room, known[start : start + BATCH])
        with connection.transaction():
            write_steps(connection, room, steps)
            for r in known:
                if r.channel is Channel.SERVICE and not r.retained:
                    write_mark(connection, room, r.tank, ServiceMark(r.text or ""), r.time_s, r.source)
        return new


def _time_ms_or_none(reading: Reading) -> int | None:
    if reading.retained or reading.channel is Channel.SERVICE or not math.isfinite(reading.value):
        return None
    if not math.isfinite(reading.time_s):
        return None
    time_ms = round(reading.time_s * 1000.0)
    return time_ms if abs(time_ms) < _MAX_MS else None


def _months(times_ms: Iterable[int]) -> list[int]:
    """Return one time in each month that the times lie in, in order."""
    days = {time_ms // DAY_MS for time_ms in times_ms if _MONTHS_FROM_MS <= time_ms < _MONTHS_TO_MS}
    months: dict[tuple[int, int], int] = {}
    for day in sorted(days):
        date = datetime.fromtimestamp(day * 86_400, UTC)
        months.setdefault((date.year, date.month), day * DAY_MS)
    return list(months.values())
