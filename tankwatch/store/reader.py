"""Reading the store: each call opens the file read-only, asks one short question, and closes.

Nothing stays open between calls, so that no reader ever keeps the writer's log from being folded in.
"""

import json
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tankwatch.alarms.model import Alarm, AlarmState, Transition
from tankwatch.errors import StoreError
from tankwatch.reading import Channel, ServiceMark
from tankwatch.store.connection import connect_to_read
from tankwatch.store.entry import LogEntry, StoredMessage
from tankwatch.store.rows import SELECT_LOG, SELECT_OUTBOX, SELECT_STEP, log_of_row, step_of_row
from tankwatch.store.runs import WatchRun, blind_times
from tankwatch.store.series import Series, seconds_on, series_of_buckets, series_of_readings

HOLD_S = 900.0
"""An on/off state is believed this long without news."""

_FOREVER_S = 1e11
"""Beyond any stamp."""


@dataclass(frozen=True, slots=True)
class StoredMark:
    """One service mark."""

    tank: str
    mark: ServiceMark
    time_s: float
    """Seconds since 1970 UTC."""
    who: str
    """A person, or the source whose probe or button sent it."""


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

        Empty buckets are left out: a gap stays a gap. Without `buckets` every reading comes as it is.
        """
        from_ms, to_ms = _ms(from_s), _ms(to_s)
        stretch = {"tank": tank, "channel": str(channel), "from_ms": from_ms, "to_ms": to_ms}
        if buckets is None:
            return series_of_readings(
                self._ask(
                    "SELECT time_ms, value FROM reading JOIN series USING (series_id) "
                    "WHERE tank = :tank AND channel = :channel AND time_ms BETWEEN :from_ms AND :to_ms "
                    "ORDER BY time_ms",
                    stretch,
                )
            )
        if buckets < 1:
            raise StoreError(f"a stretch cannot be cut in {buckets} parts: ask for 1 or more")
        span_ms = max(to_ms - from_ms, 1)
        rows = self._ask(
            # A reading at the very end belongs to the last bucket.
            "SELECT min((time_ms - :from_ms) * :buckets / :span_ms, :buckets - 1) AS bucket, "
            "min(value), max(value), avg(value), count(*) "
            "FROM reading JOIN series USING (series_id) "
            "WHERE tank = :tank AND channel = :channel AND time_ms BETWEEN :from_ms AND :to_ms "
            "GROUP BY bucket ORDER BY bucket",
            stretch | {"buckets": buckets, "span_ms": span_ms},
        )
        return series_of_buckets(rows, from_ms / 1000.0, span_ms / 1000.0 / buckets)

    def last_values(self) -> dict[tuple[str, Channel], tuple[float, float]]:
        """Return time (s) and value of the newest reading of every channel of every tank."""
        rows = self._ask(
            # Each is found at the end of its series, not by a walk through it.
            "SELECT tank, channel, time_ms, (SELECT value FROM reading AS r "
            "WHERE r.series_id = newest.series_id AND r.time_ms = newest.time_ms) FROM "
            "(SELECT series_id, tank, channel, (SELECT max(time_ms) FROM reading AS r "
            "WHERE r.series_id = s.series_id) AS time_ms FROM series AS s) AS newest "
            "WHERE time_ms IS NOT NULL"
        )
        return {(tank, Channel(channel)): (time_ms / 1000.0, value) for tank, channel, time_ms, value in rows}

    def on_time_s(
        self, tank: str, channel: Channel, from_s: float, to_s: float, *, hold_s: float = HOLD_S
    ) -> float:
        """Return for how many seconds a heater or light was on; a state holds at most `hold_s`."""
        known = self.series(tank, channel, from_s - hold_s, to_s)
        return seconds_on(known.time_s, known.mean, from_s, to_s, hold_s)

    def span(self) -> tuple[float, float] | None:
        """Return the times of the first and the last reading, or None if there is none."""
        rows = self._ask(
            "SELECT (SELECT min(time_ms) FROM reading WHERE series_id = s.series_id), "
            "(SELECT max(time_ms) FROM reading WHERE series_id = s.series_id) FROM series AS s"
        )
        firsts = [first for first, _ in rows if first is not None]
        lasts = [last for _, last in rows if last is not None]
        return (min(firsts) / 1000.0, max(lasts) / 1000.0) if firsts else None

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
        """Return the first alarm number never used."""
        ((last,),) = self._ask("SELECT max(alarm_id) FROM step")
        return 1 if last is None else int(last) + 1

    def marks(
        self, from_s: float = -_FOREVER_S, to_s: float = _FOREVER_S, tank: str | None = None
    ) -> list[StoredMark]:
        """Return the service marks, oldest first."""
        rows = self._ask(
            "SELECT tank, mark, time_s, who FROM mark WHERE time_s BETWEEN :from_s AND :to_s "
            "AND (:tank IS NULL OR tank = :tank) ORDER BY time_s, mark_id",
            {"from_s": from_s, "to_s": to_s, "tank": tank},
        )
        return [StoredMark(name, ServiceMark(mark), time_s, who) for name, mark, time_s, who in rows]

    def log(
        self,
        from_s: float = -_FOREVER_S,
        to_s: float = _FOREVER_S,
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
        return [StoredMessage(json.loads(content), *rest) for content, *rest in rows]

    def runs(self, from_s: float = -_FOREVER_S, to_s: float = _FOREVER_S) -> list[WatchRun]:
        """Return the runs of the watch that touch the stretch, oldest first."""
        rows = self._ask(
            "SELECT run_id, start_s, end_s, boot_id, clean FROM run "
            "WHERE end_s >= :from_s AND start_s <= :to_s ORDER BY start_s, run_id",
            {"from_s": from_s, "to_s": to_s},
        )
        return [WatchRun(run_id, start_s, end_s, boot, bool(ok)) for run_id, start_s, end_s, boot, ok in rows]

    def blind_times(self, from_s: float, to_s: float) -> list[tuple[float, float]]:
        """Return the stretches in which no watch ran, in time order."""
        return blind_times(self.runs(from_s, to_s), from_s, to_s)

    def _ask(self, question: str, values: dict[str, Any] | None = None) -> list[Any]:
        try:
            with closing(connect_to_read(self.path)) as connection:
                return connection.execute(question, values or {}).fetchall()
        except sqlite3.Error as error:
            raise StoreError(
                f"The store {self.path} cannot be read: {error}. If this stays so, stop the watch and see "
                "whether the disk is sound."
            ) from error


def _ms(time_s: float) -> int:
    return round(float(np.clip(time_s, -_FOREVER_S, _FOREVER_S)) * 1000.0)
