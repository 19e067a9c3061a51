"""Reading one room in the central store: the answers to the questions of `store.room_reader`."""

import json
import weakref
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from tankwatch.alarms.model import Alarm, AlarmState, Transition
from tankwatch.errors import StoreError
from tankwatch.reading import Channel
from tankwatch.store import numbers
from tankwatch.store.chart import Parts
from tankwatch.store.entry import Dropped, LogEntry, StoredMark, StoredMessage
from tankwatch.store.postgres.chart import chart
from tankwatch.store.postgres.connection import connect, told
from tankwatch.store.postgres.write import STEP_COLUMNS
from tankwatch.store.room_reader import FOREVER_S
from tankwatch.store.rows import dropped_of_row, log_of_row, mark_of_row, message_of_row, step_of_row
from tankwatch.store.runs import WatchRun, blind_times, run_of_row
from tankwatch.store.series import HOLD_S, Series, series_of_arrays, series_of_buckets

if TYPE_CHECKING:
    import psycopg

    Connection = psycopg.Connection[tuple[Any, ...]]

MOST_IDLE = 2
"""Connections that wait for the next question."""

_PLACE = (
    "place_id = (SELECT place_id FROM place WHERE room = %(room)s AND tank = %(tank)s) "
    "AND channel_id = (SELECT channel_id FROM channel WHERE name = %(channel)s)"
)
_STRETCH = "time_s BETWEEN %(from_s)s AND %(to_s)s AND (%(tank)s::text IS NULL OR tank = %(tank)s)"
_LAST = (
    "SELECT tank, name, time_ms, value FROM place CROSS JOIN channel CROSS JOIN LATERAL "
    "(SELECT time_ms, value FROM reading AS r WHERE r.place_id = place.place_id "
    "AND r.channel_id = channel.channel_id ORDER BY time_ms DESC LIMIT 1) AS newest WHERE room = %(room)s"
)
_ENDS = (
    "SELECT min(first), max(last) FROM place CROSS JOIN channel CROSS JOIN LATERAL "
    "(SELECT min(time_ms) AS first, max(time_ms) AS last FROM reading AS r "
    "WHERE r.place_id = place.place_id AND r.channel_id = channel.channel_id) AS ends WHERE room = %(room)s"
)
_ON_MS = (
    "SELECT coalesce(sum(greatest(least(next_ms, time_ms + %(hold_ms)s, %(to_ms)s) "
    "- greatest(time_ms, %(from_ms)s), 0)), 0) FROM (SELECT time_ms, value, "
    "lead(time_ms, 1, 9000000000000000) OVER (ORDER BY time_ms) AS next_ms FROM reading WHERE "
    f"{_PLACE} AND time_ms BETWEEN %(from_ms)s - %(hold_ms)s AND %(to_ms)s) AS held WHERE value >= 0.5"
)


class PostgresReader:
    """Questions about the room `room` in the store at `url`.

    Connections may only read. One that has answered waits for the next question, without a transaction: a
    night of many tanks asks hundreds. Every method raises StoreError if the store cannot be reached or read,
    and may be called from any thread. Times are seconds since 1970 UTC; stretches include both ends.
    """

    def __init__(self, url: str, room: str, password_file: Path | None = None) -> None:
        """Name the store and the room; nothing is opened yet."""
        self._password_file = password_file
        self.url = url
        self.room = room
        self._idle: list[Connection] = []
        weakref.finalize(self, _close, self._idle)

    def series(
        self, tank: str, channel: Channel, from_s: float, to_s: float, buckets: int | None = None
    ) -> Series:
        """Return the readings of one channel, or their extremes and means in `buckets` equal parts.

        Empty buckets are left out: a gap stays a gap.
        """
        from_ms, to_ms = _ms(from_s), _ms(to_s)
        if buckets is not None and buckets < 1:
            raise StoreError(f"a stretch cannot be cut in {buckets} parts: ask for 1 or more")
        values = {"tank": tank, "channel": str(channel), "from_ms": from_ms, "to_ms": to_ms}
        if buckets is None:
            rows = self._ask(
                f"SELECT time_ms, value FROM reading WHERE {_PLACE} "
                "AND time_ms BETWEEN %(from_ms)s AND %(to_ms)s ORDER BY time_ms",
                values,
            )
            return series_of_arrays(
                np.array([r[0] for r in rows], np.int64), np.array([r[1] for r in rows], np.float64)
            )
        parts = Parts(from_ms, to_ms, buckets)
        with self._connected() as connection:
            ids = connection.execute(
                "SELECT place_id, channel_id FROM place, channel WHERE room = %s AND tank = %s AND name = %s",
                (self.room, tank, str(channel)),
            ).fetchone()
            table = chart(connection, ids, parts)
        return series_of_buckets(table, from_ms / 1000.0, parts.span_ms / 1000.0 / buckets)

    def last_values(self) -> dict[tuple[str, Channel], tuple[float, float]]:
        """Return time (s) and value of the newest reading of every channel of every tank."""
        return {
            (tank, Channel(name)): (time_ms / 1000.0, value)
            for tank, name, time_ms, value in self._ask(_LAST)
        }

    def on_time_s(
        self, tank: str, channel: Channel, from_s: float, to_s: float, *, hold_s: float = HOLD_S
    ) -> float:
        """Return for how many seconds a heater or light was on; a state holds at most `hold_s`."""
        values = {"tank": tank, "channel": str(channel), "from_ms": _ms(from_s), "to_ms": _ms(to_s)}
        ((on_ms,),) = self._ask(_ON_MS, {**values, "hold_ms": round(hold_s * 1000.0)})
        return float(on_ms) / 1000.0

    def span(self) -> tuple[float, float] | None:
        """Return the times of the first and the last reading, or None if there is none."""
        ((first, last),) = self._ask(_ENDS)
        return None if first is None else (first / 1000.0, last / 1000.0)

    def dropped(self) -> list[Dropped]:
        """Return what was given up by age or for want of room, oldest note first."""
        rows = self._ask(
            "SELECT what, why, count, from_ms, to_ms, time_s FROM dropped WHERE room = %(room)s "
            "ORDER BY day, what, why"
        )
        return [dropped_of_row(row) for row in rows]

    def steps(self, from_s: float, to_s: float, tank: str | None = None) -> list[Transition]:
        """Return the steps of alarms, oldest first; of one tank, or of all and of the room."""
        rows = self._ask(
            f"SELECT {STEP_COLUMNS} FROM step WHERE room = %(room)s AND {_STRETCH} "
            "ORDER BY time_s, origin, step_id",
            {"from_s": from_s, "to_s": to_s, "tank": tank},
        )
        return [step_of_row(row) for row in rows]

    def standing_alarms(self) -> list[Alarm]:
        """Return every alarm whose latest step did not end it, oldest number first."""
        rows = self._ask(
            f"SELECT * FROM (SELECT DISTINCT ON (origin, alarm_id) {STEP_COLUMNS} FROM step "
            "WHERE room = %(room)s ORDER BY origin, alarm_id, step_id DESC) AS latest "
            "WHERE state <> %(normal)s ORDER BY alarm_id",
            {"normal": str(AlarmState.NORMAL)},
        )
        return [step_of_row(row).alarm for row in rows]

    def next_alarm_id(self) -> int:
        """Return the first alarm number never used in this room, nor perhaps shown by a killed watch."""
        ((last,),) = self._ask("SELECT max(alarm_id) FROM step WHERE room = %(room)s")
        return max(1 if last is None else int(last) + 1, numbers.beyond(self.memory(numbers.KEY)))

    def marks(
        self, from_s: float = -FOREVER_S, to_s: float = FOREVER_S, tank: str | None = None
    ) -> list[StoredMark]:
        """Return the service marks, oldest first."""
        rows = self._ask(
            f"SELECT tank, mark, time_s, who FROM mark WHERE room = %(room)s AND {_STRETCH} "
            "ORDER BY time_s, mark_id",
            {"from_s": from_s, "to_s": to_s, "tank": tank},
        )
        return [mark_of_row(row) for row in rows]

    def log(
        self,
        from_s: float = -FOREVER_S,
        to_s: float = FOREVER_S,
        tank: str | None = None,
        kind: str | None = None,
    ) -> list[LogEntry]:
        """Return the entries of the care log, oldest first."""
        rows = self._ask(
            "SELECT time_s, tank, kind, who, text, data, photos FROM log WHERE room = %(room)s "
            f"AND {_STRETCH} AND (%(kind)s::text IS NULL OR kind = %(kind)s) ORDER BY time_s, origin, log_id",
            {"from_s": from_s, "to_s": to_s, "tank": tank, "kind": kind},
        )
        return [log_of_row(row) for row in rows]

    def memory(self, key: str) -> dict[str, Any] | None:
        """Return what was kept under `key`, or None."""
        rows = self._ask("SELECT value FROM memory WHERE room = %(room)s AND key = %(key)s", {"key": key})
        value: dict[str, Any] | None = json.loads(rows[0][0]) if rows else None
        return value

    def outbox(self, state: str | None = None) -> list[StoredMessage]:
        """Return the messages for people, oldest first: all, or those in `state` (`waiting`, `sent`, …)."""
        rows = self._ask(
            "SELECT content, way, state, attempts, settled_s, detail FROM outbox WHERE room = %(room)s "
            "AND (%(state)s::text IS NULL OR state = %(state)s) ORDER BY made_s, message_id, way",
            {"state": state},
        )
        return [message_of_row(row) for row in rows]

    def runs(self, from_s: float = -FOREVER_S, to_s: float = FOREVER_S) -> list[WatchRun]:
        """Return the runs of the watch that touch the stretch, oldest first."""
        rows = self._ask(
            "SELECT run_id, start_s, end_s, boot_id, clean FROM run WHERE room = %(room)s "
            "AND end_s >= %(from_s)s AND start_s <= %(to_s)s ORDER BY start_s, run_id",
            {"from_s": from_s, "to_s": to_s},
        )
        return [run_of_row(row) for row in rows]

    def blind_times(self, from_s: float, to_s: float) -> list[tuple[float, float]]:
        """Return the stretches in which no watch ran, in time order."""
        return blind_times(self.runs(from_s, to_s), from_s, to_s)

    def _ask(self, question: str, values: dict[str, Any] | None = None) -> Sequence[Any]:
        with self._connected() as connection:
            return connection.execute(question.encode(), {"room": self.room, **(values or {})}).fetchall()

    @contextmanager
    def _connected(self) -> "Iterator[Connection]":
        """Lend a connection that answers; whatever goes wrong with it, it is not lent again."""
        connection = self._waiting() or connect(self.url, read_only=True, password_file=self._password_file)
        try:
            with told("cannot be read"):
                yield connection
        except BaseException:
            connection.close()
            raise
        if len(self._idle) < MOST_IDLE:
            self._idle.append(connection)
        else:
            connection.close()

    def _waiting(self) -> "Connection | None":
        """Return a connection that waited and still answers: the server may have been started anew."""
        while self._idle:
            try:
                connection = self._idle.pop()
            except IndexError:
                return None  # another thread was quicker
            try:
                with told("does not answer any more"):
                    connection.execute("SELECT 1")
            except StoreError:
                connection.close()
            else:
                return connection
        return None


def _close(idle: "list[Connection]") -> None:
    for connection in idle:
        connection.close()


def _ms(time_s: float) -> int:
    return round(float(np.clip(time_s, -FOREVER_S, FOREVER_S)) * 1000.0)
