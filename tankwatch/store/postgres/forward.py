"""Bringing what an edge store knows to the central store, so that nothing is lost and nothing doubled.

Rows that are only ever added (steps of alarms, marks, the care log) follow a cursor that is committed in one
transaction with them. Readings need none: of each series what is newer than the central store's newest goes
first, then figures of hours and days on both sides are compared, and an hour whose counts differ is sent
again. So late readings, sealed ones, and those of a store that was restored from a copy all arrive; the
central store leaves a reading that it has alone.
"""

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tankwatch.clock import Clock
from tankwatch.errors import StoreError
from tankwatch.reading import Channel, Reading
from tankwatch.store.connection import connect_to_read
from tankwatch.store.postgres.connection import told
from tankwatch.store.postgres.write import STEP_COLUMNS, text_of, write_readings
from tankwatch.store.reader import StoreReader

if TYPE_CHECKING:
    import psycopg

    Connection = psycopg.Connection[tuple[Any, ...]]
    Key = tuple[str, Channel]

HOUR_S, DAY_S = 3600.0, 86_400.0
ROWS_AT_ONCE = 20_000
"""Readings, and rows of another kind, per transaction, about."""
COMPARE_RECENT_S = 60.0
COMPARE_ALL_S = 900.0
"""How often figures of the last two days, and of all days, are compared."""

_FROM_S = 946_684_800.0
"""Readings before the year 2000 are of a clock that was never set; they stay in the file of the room."""
_AHEAD_S = 31 * DAY_S
"""So are those further in the future."""

_APPENDED = {
    "step": ("step_id", STEP_COLUMNS),
    "log": ("log_id", "time_s, tank, kind, who, text, data, photos"),
}
_REPLACED = {
    "run": ("run_id", "start_s, end_s, boot_id, clean"),
    "memory": ("key", "value, time_s"),
    "outbox": (
        "message_id, way",
        "person, made_s, kind, priority, content, state, attempts, settled_s, detail",
    ),
    "dropped": ("day, what, why", "count, from_ms, to_ms, time_s"),
}


class Forwarder:
    """Forwards the store at `path` as the room `room`; used by one thread."""

    def __init__(self, path: Path, room: str, clock: Clock) -> None:
        """Remember what to forward; nothing is opened yet."""
        self._path = path
        self._reader = StoreReader(path)
        self._room = room
        self._clock = clock
        self._recent_due_s = self._all_due_s = float("-inf")
        self._settled: dict[tuple[Key, int], int] = {}
        """Counts of hours that were sent whole: what is missing still was dropped at the edge."""
        self._sent_rows: dict[str, set[tuple[Any, ...]]] = {}

    def forward_once(self, connection: "Connection") -> int:
        """Send about one transaction's worth; return how many rows went, 0 when all is there.

        Raises:
            StoreError: one of the stores cannot be read or written; the same call again is right.
        """
        with told("cannot take what is forwarded"):
            try:
                with closing(connect_to_read(self._path)) as edge:
                    rows = self._forward_rows(edge, connection)
            except sqlite3.Error as error:
                raise StoreError(f"The store {self._path} cannot be read: {error}.") from error
            return rows or self._forward_new(connection) or self._compare(connection)

    def _forward_rows(self, edge: sqlite3.Connection, connection: "Connection") -> int:
        first = edge.execute("SELECT start_s FROM run ORDER BY run_id LIMIT 1").fetchone()
        if first is None:
            return 0
        origin = repr(first[0])  # another file of the same room numbers its rows anew
        total = 0
        for table, (key, columns) in _APPENDED.items():
            total += self._append(edge, connection, origin, table, key, columns)
        total += self._append(edge, connection, origin, "mark", "mark_id", "tank, time_s, mark, who")
        for table, (key, columns) in _REPLACED.items():
            total += self._replace(edge, connection, origin, table, key, columns)
        return total

    def _append(
        self,
        edge: sqlite3.Connection,
        connection: "Connection",
        origin: str,
        table: str,
        key: str,
        columns: str,
    ) -> int:
        """Send the rows after the cursor, and move it, in one transaction."""
        with connection.transaction():
            place = (self._room, origin, table)
            cursor = connection.execute(
                "SELECT upto FROM forwarded WHERE room = %s AND origin = %s AND what = %s FOR UPDATE", place
            ).fetchone()
            rows = edge.execute(
                f"SELECT {key}, {columns} FROM {table} WHERE {key} > ? ORDER BY {key} LIMIT ?",
                (cursor[0] if cursor else -1, ROWS_AT_ONCE // 10),
            ).fetchall()
            if not rows:
                return 0
            if table == "mark":  # known by what it says
                names, values = f"room, {columns}", [(self._room, *row[1:]) for row in rows]
            else:
                names = f"room, origin, {key}, {columns}"
                values = [(self._room, origin, *row) for row in rows]
            _insert(connection, table, names, values, "DO NOTHING")
            connection.execute(
                "INSERT INTO forwarded VALUES (%s, %s, %s, %s) "
                "ON CONFLICT (room, origin, what) DO UPDATE SET upto = excluded.upto",
                (*place, rows[-1][0]),
            )
        return len(rows)

    def _replace(
        self,
        edge: sqlite3.Connection,
        connection: "Connection",
        origin: str,
        table: str,
        key: str,
        columns: str,
    ) -> int:
        """Send the rows that are not as they were when they were sent last, in place of those there."""
        known = set(edge.execute(f"SELECT {key}, {columns} FROM {table}").fetchall())
        rows = sorted(known - self._sent_rows.get(table, set()), key=repr)
        if rows:
            more, lead = ("origin, ", (self._room, origin)) if table == "run" else ("", (self._room,))
            update = ", ".join(f"{name} = excluded.{name}" for name in columns.split(", "))
            with connection.transaction():
                action = f"(room, {more}{key}) DO UPDATE SET {update}"
                _insert(
                    connection, table, f"room, {more}{key}, {columns}", [(*lead, *r) for r in rows], action
                )
        self._sent_rows[table] = known
        return len(rows)

    def _forward_new(self, connection: "Connection") -> int:
        """Send readings newer than the newest that the central store has of their series."""
        newest = self._newest(connection)
        readings: list[Reading] = []
        for (tank, channel), (last_s, _) in self._reader.last_values().items():
            last_s = min(last_s, self._clock.wall_s() + _AHEAD_S)
            begin_s = newest.get((tank, channel), _FROM_S - 0.001) + 0.001
            width_s = DAY_S
            while begin_s <= last_s and len(readings) < ROWS_AT_ONCE:
                found = self._readings(tank, channel, begin_s, min(begin_s + width_s, last_s))
                if found:
                    readings += found
                    break
                begin_s, width_s = begin_s + width_s, 2.0 * width_s
        return self._send(connection, readings)

    def _newest(self, connection: "Connection") -> "dict[Key, float]":
        latest_ms = round((self._clock.wall_s() + _AHEAD_S) * 1000.0)
        rows = connection.execute(
            "SELECT tank, name, newest_ms FROM place CROSS JOIN channel CROSS JOIN LATERAL "
            "(SELECT max(time_ms) AS newest_ms FROM reading AS r WHERE r.place_id = place.place_id "
            "AND r.channel_id = channel.channel_id AND time_ms <= %s) AS newest "
            "WHERE room = %s AND newest_ms IS NOT NULL",
            (latest_ms, self._room),
        ).fetchall()
        return {(tank, Channel(name)): time_ms / 1000.0 for tank, name, time_ms in rows}

    def _compare(self, connection: "Connection") -> int:
        """Send hours whose counts differ: of the last two days, and now and then of all."""
        now_s = self._clock.monotonic_s()
        span = self._reader.span()
        if span is None or now_s < min(self._recent_due_s, self._all_due_s):
            return 0
        last_h = int(min(span[1], self._clock.wall_s() + _AHEAD_S) // HOUR_S) + 1
        first_h = int(max(span[0], _FROM_S) // HOUR_S)
        whole = now_s >= self._all_due_s
        if not whole:
            first_h = max(first_h, last_h - 48)
        for tank, channel in self._reader.last_values():
            hours = self._differing(connection, (tank, channel), first_h // 24 * 24, -(-last_h // 24) * 24)
            readings: list[Reading] = []
            for hour in hours[: ROWS_AT_ONCE // 400]:
                readings += self._readings(tank, channel, hour * HOUR_S, (hour + 1) * HOUR_S - 0.001)
            if hours:
                return max(self._send(connection, readings), 1)
        self._recent_due_s = now_s + COMPARE_RECENT_S
        if whole:
            self._all_due_s = now_s + COMPARE_ALL_S
        return 0

    def _differing(self, connection: "Connection", key: "Key", first_h: int, end_h: int) -> list[int]:
        """Return the hours in whole days that hold more readings here than there, oldest first."""
        hours: list[int] = []
        days = self._counts(key, first_h, end_h, 24)
        there = self._central_counts(connection, key, 24)
        for day, count in days.items():
            if count <= there.get(day, 0):
                continue
            central = self._central_counts(connection, key, 1, day * 24, day * 24 + 23)
            for hour, here in self._counts(key, day * 24, day * 24 + 24, 1).items():
                if here > central.get(hour, 0) and self._settled.get((key, hour)) != here:
                    self._settled[key, hour] = here
                    hours.append(hour)
                    if len(hours) >= ROWS_AT_ONCE // 400:
                        return hours
        return hours

    def _counts(self, key: "Key", first_h: int, end_h: int, step: int) -> dict[int, int]:
        """Return how many readings the edge has in each cell of `step` hours."""
        # One millisecond less than whole cells: each part then begins exactly with its cell.
        parts = self._reader.series(*key, first_h * HOUR_S, end_h * HOUR_S - 0.001, (end_h - first_h) // step)
        cells = (parts.time_s // (step * HOUR_S)).astype(int).tolist()
        return dict(zip(cells, parts.count.tolist(), strict=True))

    def _central_counts(
        self, connection: "Connection", key: "Key", step: int, first: int = -(1 << 40), last: int = 1 << 40
    ) -> dict[int, int]:
        rows: Sequence[Any] = connection.execute(
            "SELECT cell, count FROM rollup NATURAL JOIN place NATURAL JOIN channel WHERE room = %s "
            "AND tank = %s AND name = %s AND step = %s AND cell BETWEEN %s AND %s",
            (self._room, key[0], str(key[1]), step, first, last),
        ).fetchall()
        return dict(rows)

    def _readings(self, tank: str, channel: Channel, from_s: float, to_s: float) -> list[Reading]:
        found = self._reader.series(tank, channel, from_s, to_s)
        pairs = zip(found.time_s.tolist(), found.mean.tolist(), strict=True)
        return [Reading(tank, channel, time_s, value) for time_s, value in pairs]

    def _send(self, connection: "Connection", readings: list[Reading]) -> int:
        if readings:
            with connection.transaction():
                write_readings(connection, self._room, readings)
        return len(readings)


def _insert(
    connection: "Connection", table: str, names: str, values: Sequence[tuple[Any, ...]], action: str
) -> None:
    marks = ", ".join(["%s"] * len(names.split(", ")))
    statement = f"INSERT INTO {table} ({names}) VALUES ({marks}) ON CONFLICT {action}"
    with connection.cursor() as cursor:
        cursor.executemany(statement.encode(), [tuple(map(text_of, row)) for row in values])
