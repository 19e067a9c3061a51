"""Reading the store: each call opens the file read-only, asks one short question, and closes.

Nothing stays open between calls, so that no reader ever keeps the writer's log from being folded in.
"""

import json
import logging
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from tankwatch.alarms.model import Alarm, AlarmState, Transition
from tankwatch.errors import StoreError
from tankwatch.reading import ON_OFF_CHANNELS, Channel
from tankwatch.store import numbers
from tankwatch.store.block import HOUR_MS, Floats, Ints, blocks_between, merged, readings_of
from tankwatch.store.chart import Parts, chart
from tankwatch.store.codec import BlockError, DamagedError
from tankwatch.store.connection import connect_to_read
from tankwatch.store.ends import newest_readings, span_ms
from tankwatch.store.entry import Dropped, LogEntry, StoredMark, StoredMessage
from tankwatch.store.fresh import OnDamage, fresh_readings
from tankwatch.store.on_time import on_time_ms
from tankwatch.store.room_reader import FOREVER_S
from tankwatch.store.rows import (
    SELECT_LOG,
    SELECT_OUTBOX,
    SELECT_STEP,
    dropped_of_row,
    log_of_row,
    mark_of_row,
    message_of_row,
    step_of_row,
)
from tankwatch.store.runs import WatchRun, blind_times, run_of_row
from tankwatch.store.series import HOLD_S, Series, seconds_on, series_of_arrays, series_of_buckets

_log = logging.getLogger(__name__)

_SERIES = "SELECT series_id, tank, channel FROM series"


class StoreReader:
    """Questions to the store at `path`; it may be written meanwhile, or not exist yet.

    Every method raises StoreError if the file is missing, is no store, or cannot be read. Times are
    seconds since 1970 UTC; stretches include both ends.
    """

    def __init__(self, path: Path) -> None:
        """Name the file; nothing is opened yet."""
        self.path = path

    def series(
        self, tank: str, channel: Channel, from_s: float, to_s: float, buckets: int | None = None
    ) -> Series:
        """Return the readings of one channel, or their extremes and means in `buckets` equal parts.

        Empty buckets are left out: a gap stays a gap. Without `buckets` every reading comes as it is. Where
        readings were dropped by age or for want of room, the figures of hours or days that were kept count
        in the bucket that their middle lies in; without `buckets` there is a gap. What is damaged is left
        out, and said in `damaged`.
        """
        from_ms, to_ms = _ms(from_s), _ms(to_s)
        if buckets is not None and buckets < 1:
            raise StoreError(f"a stretch cannot be cut in {buckets} parts: ask for 1 or more")
        with self._open() as connection:
            series_id = _series_id(connection, tank, channel)
            damaged: list[tuple[float, float]] = []

            def on_damage(first_ms: int, last_ms: int) -> None:
                damaged.append((max(first_ms, from_ms) / 1000.0, min(last_ms, to_ms) / 1000.0))

            if buckets is None:
                found = series_of_arrays(*_readings(connection, series_id, from_ms, to_ms, on_damage))
            else:
                parts = Parts(from_ms, to_ms, buckets)
                rows = chart(connection, series_id, parts, on_damage)
                found = series_of_buckets(rows, from_ms / 1000.0, parts.span_ms / 1000.0 / buckets)
        return replace(found, damaged=tuple(sorted(set(damaged)))) if damaged else found

    def last_values(self) -> dict[tuple[str, Channel], tuple[float, float]]:
        """Return time (s) and value of the newest reading of every channel of every tank."""
        with self._open() as connection:
            newest = newest_readings(connection)
            names = connection.execute(_SERIES).fetchall()
        return {
            (tank, Channel(channel)): (newest[series_id][0] / 1000.0, newest[series_id][1])
            for series_id, tank, channel in names
            if series_id in newest
        }

    def on_time_s(
        self, tank: str, channel: Channel, from_s: float, to_s: float, *, hold_s: float = HOLD_S
    ) -> float:
        """Return for how many seconds a heater or light was on; a state holds at most `hold_s`."""
        if hold_s == HOLD_S and channel in ON_OFF_CHANNELS and to_s > from_s:
            with self._open() as connection:
                series_id = _series_id(connection, tank, channel)
                if series_id is None:
                    return 0.0
                readings = partial(_readings, connection, series_id)
                return on_time_ms(connection, series_id, _ms(from_s), _ms(to_s), readings) / 1000.0
        known = self.series(tank, channel, from_s - hold_s, to_s)
        return seconds_on(known.time_s, known.mean, from_s, to_s, hold_s)

    def span(self) -> tuple[float, float] | None:
        """Return the times of the first and the last reading, or None if there is none."""
        with self._open() as connection:
            span = span_ms(connection)
        return None if span is None else (span[0] / 1000.0, span[1] / 1000.0)

    def dropped(self) -> list[Dropped]:
        """Return what was given up by age or for want of room, oldest note first."""
        rows = self._ask(
            "SELECT what, why, count, from_ms, to_ms, time_s FROM dropped ORDER BY day, what, why"
        )
        return [dropped_of_row(row) for row in rows]

    def steps(self, from_s: float, to_s: float, tank: str | None = None) -> list[Transition]:
        """Return the steps of alarms, oldest first; of one tank, or of all and of the room."""
        rows = self._ask(
            f"{SELECT_STEP} WHERE time_s BETWEEN :from_s AND :to_s "
            "AND (:tank IS NULL OR tank = :tank) ORDER BY time_s, step_id",
            {"from_s": from_s, "to_s": to_s, "tank": tank},
        )
        return [step_of_row(row) for row in rows]

    def standing_alarms(self) -> list[Alarm]:
        """Return every alarm whose latest step did not end it, oldest number first."""
        latest = " WHERE step_id IN (SELECT max(step_id) FROM step GROUP BY alarm_id)"
        rows = self._ask(
            SELECT_STEP + latest + " AND state <> :normal ORDER BY alarm_id",
            {"normal": str(AlarmState.NORMAL)},
        )
        return [step_of_row(row).alarm for row in rows]

    def next_alarm_id(self) -> int:
        """Return the first alarm number never used, nor perhaps shown by a watch that was killed."""
        ((last,),) = self._ask("SELECT max(alarm_id) FROM step")
        return max(1 if last is None else int(last) + 1, numbers.beyond(self.memory(numbers.KEY)))

    def marks(
        self, from_s: float = -FOREVER_S, to_s: float = FOREVER_S, tank: str | None = None
    ) -> list[StoredMark]:
        """Return the service marks, oldest first."""
        rows = self._ask(
            "SELECT tank, mark, time_s, who FROM mark WHERE time_s BETWEEN :from_s AND :to_s "
            "AND (:tank IS NULL OR tank = :tank) ORDER BY time_s, mark_id",
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
            f"{SELECT_LOG} WHERE time_s BETWEEN :from_s AND :to_s AND (:tank IS NULL OR tank = :tank) "
            "AND (:kind IS NULL OR kind = :kind) ORDER BY time_s, log_id",
            {"from_s": from_s, "to_s": to_s, "tank": tank, "kind": kind},
        )
        return [log_of_row(row) for row in rows]

    def memory(self, key: str) -> dict[str, Any] | None:
        """Return what was kept under `key`, or None."""
        rows = self._ask("SELECT value FROM memory WHERE key = :key", {"key": key})
        value: dict[str, Any] | None = json.loads(rows[0][0]) if rows else None
        return value

    def outbox(self, state: str | None = None) -> list[StoredMessage]:
        """Return the messages for people, oldest first: all, or those in `state` (`waiting`, `sent`, …)."""
        rows = self._ask(
            f"{SELECT_OUTBOX} WHERE :state IS NULL OR state = :state ORDER BY made_s, message_id, way",
            {"state": state},
        )
        return [message_of_row(row) for row in rows]

    def runs(self, from_s: float = -FOREVER_S, to_s: float = FOREVER_S) -> list[WatchRun]:
        """Return the runs of the watch that touch the stretch, oldest first."""
        rows = self._ask(
            "SELECT run_id, start_s, end_s, boot_id, clean FROM run "
            "WHERE end_s >= :from_s AND start_s <= :to_s ORDER BY start_s, run_id",
            {"from_s": from_s, "to_s": to_s},
        )
        return [run_of_row(row) for row in rows]

    def blind_times(self, from_s: float, to_s: float) -> list[tuple[float, float]]:
        """Return the stretches in which no watch ran, in time order."""
        return blind_times(self.runs(from_s, to_s), from_s, to_s)

    def _ask(self, question: str, values: dict[str, Any] | None = None) -> list[Any]:
        with self._open() as connection:
            return connection.execute(question, values or {}).fetchall()

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        """Open the file and hold one picture of it for a block."""
        try:
            with closing(connect_to_read(self.path)) as connection:
                connection.execute("BEGIN")
                yield connection
                connection.execute("COMMIT")
        except sqlite3.Error as error:
            raise StoreError(
                f"The store {self.path} cannot be read: {error}. If this stays so, stop the watch and see "
                "whether the disk is sound."
            ) from error
        except BlockError as error:
            raise StoreError(f"The store {self.path} cannot be read: {error}.") from error


def _series_id(connection: sqlite3.Connection, tank: str, channel: Channel) -> int | None:
    row = connection.execute(
        "SELECT series_id FROM series WHERE tank = ? AND channel = ?", (tank, str(channel))
    ).fetchone()
    return None if row is None else int(row[0])


def _readings(
    connection: sqlite3.Connection,
    series_id: int | None,
    from_ms: int,
    to_ms: int,
    on_damage: OnDamage | None = None,
) -> tuple[Ints, Floats]:
    """Return times (ms) and values of all readings in a stretch but damaged ones, both ends included."""
    if series_id is None:
        return merged([])
    (kept_from_h,) = connection.execute(
        "SELECT readings_from_h FROM series WHERE series_id = ?", (series_id,)
    ).fetchone()
    sealed_from_ms = from_ms if kept_from_h is None else max(from_ms, kept_from_h * HOUR_MS)
    blocks = blocks_between(connection, series_id, sealed_from_ms, to_ms)
    parts = []
    for block in blocks:
        try:
            parts.append(_from(sealed_from_ms, *readings_of(connection, block)))
        except DamagedError as error:
            _log.error("a block of series %d is left out: %s", series_id, error)
            if on_damage is not None:
                on_damage(block.first_ms, block.last_ms)
    rows = connection.execute(
        "SELECT time_ms, value FROM reading WHERE series_id = ? AND time_ms BETWEEN ? AND ? ORDER BY time_ms",
        (series_id, from_ms, to_ms),
    ).fetchall()
    if rows:
        # Columns of their own kinds: a time before 1970 or a huge one must not pass through a float.
        parts.append((np.array([r[0] for r in rows], np.int64), np.array([r[1] for r in rows], np.float64)))
    parts.append(fresh_readings(connection, series_id, from_ms, to_ms, on_damage))
    time_ms, value = merged(parts)
    begin, end = np.searchsorted(time_ms, (from_ms, to_ms + 1)).tolist()
    return time_ms[begin:end], value[begin:end]


def _from(from_ms: int, time_ms: Ints, value: Floats) -> tuple[Ints, Floats]:
    begin = int(np.searchsorted(time_ms, from_ms))
    return time_ms[begin:], value[begin:]


def _ms(time_s: float) -> int:
    return round(float(np.clip(time_s, -FOREVER_S, FOREVER_S)) * 1000.0)
