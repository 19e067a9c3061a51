"""From objects to rows and back, and the statements that insert them."""

import json
import math
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from itertools import chain
from operator import itemgetter
from typing import Any, overload

from tankwatch.alarms.model import Alarm, AlarmState, Condition, Priority, Transition
from tankwatch.reading import Reading, ServiceMark
from tankwatch.store.codec import BlockError
from tankwatch.store.ends import newest_readings
from tankwatch.store.entry import Dropped, LogEntry, OutboxEntry, StoredMark, StoredMessage
from tankwatch.store.fresh import without_fresh
from tankwatch.store.late import sealed_ends, without_sealed

ReadingRow = tuple[int, int, float]
"""Series, time in ms since 1970 UTC, value."""

_MAX_MS = 1 << 53
"""A time beyond this is nonsense; within it, milliseconds and floating seconds convert without loss."""

INSERT_STEP = (
    "INSERT INTO step (time_s, alarm_id, tank, condition, subject, priority, from_state, state, since_s, "
    "changed_s, message, value, margin_min, evidence, alarm_who, who, why, holds, until_s) "
    "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
)
SELECT_STEP = (
    "SELECT time_s, alarm_id, tank, condition, subject, priority, from_state, state, since_s, changed_s, "
    "message, value, margin_min, evidence, alarm_who, who, why, holds, until_s FROM step"
)
INSERT_MARK = "INSERT OR IGNORE INTO mark (tank, time_s, mark, who) VALUES (?, ?, ?, ?)"
INSERT_LOG = "INSERT INTO log (time_s, tank, kind, who, text, data, photos) VALUES (?, ?, ?, ?, ?, ?, ?)"
SELECT_LOG = "SELECT time_s, tank, kind, who, text, data, photos FROM log"
PUT_MEMORY = "INSERT OR REPLACE INTO memory (key, value, time_s) VALUES (?, ?, ?)"

PUT_OUTBOX = (
    "INSERT OR IGNORE INTO outbox "
    "(message_id, way, person, made_s, kind, priority, content, state, attempts, settled_s, detail) "
    "VALUES (?, ?, ?, ?, ?, ?, ?, 'waiting', 0, NULL, '')"
)
"""A message made anew after a restart has the id it had, and is kept once."""
SETTLE_OUTBOX = (
    "UPDATE outbox SET state = ?, attempts = ?, settled_s = ?, detail = ? WHERE message_id = ? AND way = ?"
)
PRUNE_OUTBOX = "DELETE FROM outbox WHERE state <> 'waiting' AND made_s < ?"
SELECT_OUTBOX = "SELECT content, way, state, attempts, settled_s, detail FROM outbox"

_HOLDING = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED})
"""States in which the condition holds, for steps kept before that was written down."""

_BLOCKS = (512, 128, 32, 8, 2, 1)
"""Rows per statement. `executemany` gives up the interpreter lock after every row and, beside one busy
thread, waits up to 5 ms to get it back: 1,300 rows/s were measured so, 34,000 with one statement for 500."""

_INSERT_READINGS = {
    rows: "INSERT OR IGNORE INTO reading (series_id, time_ms, value) VALUES (?, ?, ?)"
    + ", (?, ?, ?)" * (rows - 1)
    for rows in _BLOCKS
}

_series = itemgetter(0)
_time = itemgetter(1)


class SeriesIds(dict[tuple[str, str], int]):
    """Number of each series, by tank and channel; asks the file, and makes what is missing."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        """Start with the series that `connection` knows."""
        self._connection = connection
        self.sealed_to_ms = sealed_ends(connection)
        """Up to when each series is sealed."""
        # Whatever cannot be read: writing goes on.
        newest = newest_readings(connection, passed_over=BlockError)
        self.newest_ms = {number: time_ms for number, (time_ms, _) in newest.items()}
        """Time of the newest reading of each series."""
        super().__init__(
            ((tank, channel), series_id)
            for series_id, tank, channel in connection.execute(
                "SELECT series_id, tank, channel FROM series"
            ).fetchall()
        )

    def __missing__(self, key: tuple[str, str]) -> int:
        """Make the series; it belongs to the transaction that is open."""
        tank, channel = key
        self._connection.execute(
            "INSERT OR IGNORE INTO series (tank, channel) VALUES (?, ?)", (clean(tank), str(channel))
        )
        (series_id,) = self._connection.execute(
            "SELECT series_id FROM series WHERE tank = ? AND channel = ?", (clean(tank), str(channel))
        ).fetchone()
        self[tank, str(channel)] = int(series_id)
        return int(series_id)


def reading_rows(readings: Sequence[Reading], ids: SeriesIds) -> tuple[list[ReadingRow], int]:
    """Return the rows of `readings` in the order of the table, and how many had no usable time or value."""
    try:
        rows = [
            (ids[r.tank, r.channel], round(r.time_s * 1000.0), float(r.value))
            for r in readings
            if math.isfinite(r.value)
        ]
        sound = not rows or (max(map(_time, rows)) < _MAX_MS and min(map(_time, rows)) > -_MAX_MS)
    except (ValueError, OverflowError, TypeError):
        sound = False
    if not sound:
        rows = [row for r in readings if (row := _row_or_none(r, ids)) is not None]
    refused = len(readings) - len(rows)
    # In the order of the table a batch touches each page once; the sorts are stable, so that of two readings
    # with one stamp the first to arrive is kept.
    rows.sort(key=_time)
    rows.sort(key=_series)
    return rows, refused


def insert_readings(
    connection: sqlite3.Connection, rows: Sequence[ReadingRow], sealed_to_ms: Mapping[int, int]
) -> int:
    """Insert `rows`, each in its series' own place, in the open transaction; return how many were new.

    For much history at once. A series and time already there, sealed (up to `sealed_to_ms` of each series),
    fresh or a row, is left alone.
    """
    rows = without_fresh(connection, without_sealed(connection, rows, sealed_to_ms))
    before = connection.total_changes
    start = 0
    for block in _BLOCKS:
        statement = _INSERT_READINGS[block]
        while len(rows) - start >= block:
            connection.execute(statement, tuple(chain.from_iterable(rows[start : start + block])))
            start += block
    return connection.total_changes - before


def step_row(step: Transition) -> tuple[Any, ...]:
    """Return one step of an alarm as a row of `INSERT_STEP`."""
    alarm = step.alarm
    return (
        step.time_s,
        alarm.alarm_id,
        clean(alarm.tank),
        str(alarm.condition),
        clean(alarm.subject),
        str(alarm.priority),
        str(step.from_state),
        str(alarm.state),
        alarm.since_s,
        alarm.changed_s,
        clean(alarm.message),
        None if alarm.value is None else float(alarm.value),
        None if alarm.margin_min is None else float(alarm.margin_min),
        json_text(alarm.evidence),
        clean(alarm.who),
        clean(step.who),
        clean(step.why),
        int(alarm.holds),
        alarm.until_s,
    )


def step_of_row(row: Sequence[Any]) -> Transition:
    """Return a row of `SELECT_STEP` as the step it was."""
    alarm = Alarm(
        alarm_id=row[1],
        tank=row[2],
        condition=Condition(row[3]),
        state=AlarmState(row[7]),
        priority=Priority(row[5]),
        since_s=row[8],
        changed_s=row[9],
        message=row[10],
        value=row[11],
        margin_min=row[12],
        evidence=json.loads(row[13]),
        subject=row[4],
        who=row[14],
        holds=AlarmState(row[7]) in _HOLDING if row[17] is None else bool(row[17]),
        until_s=row[18],
    )
    return Transition(alarm=alarm, from_state=AlarmState(row[6]), time_s=row[0], who=row[15], why=row[16])


def memory_row(key: str, value: dict[str, Any], time_s: float) -> tuple[Any, ...]:
    """Return what was learned as a row of `PUT_MEMORY`."""
    return (clean(key), json_text(value), time_s)


def mark_row(tank: str, time_s: float, mark: ServiceMark, who: str) -> tuple[Any, ...]:
    """Return one service mark as a row of `INSERT_MARK`."""
    return (clean(tank), float(time_s), str(mark), clean(who))


def log_row(entry: LogEntry) -> tuple[Any, ...]:
    """Return one entry of the care log as a row of `INSERT_LOG`."""
    return (
        float(entry.time_s),
        clean(entry.tank),
        clean(entry.kind),
        clean(entry.who),
        clean(entry.text),
        json_text(entry.data),
        json_text(list(entry.photos)),
    )


def log_of_row(row: Sequence[Any]) -> LogEntry:
    """Return a row of `SELECT_LOG` as the entry it was."""
    return LogEntry(
        time_s=row[0],
        tank=row[1],
        kind=row[2],
        who=row[3],
        text=row[4],
        data=json.loads(row[5]),
        photos=tuple(json.loads(row[6])),
    )


def outbox_row(entry: OutboxEntry) -> tuple[Any, ...]:
    """Return one message for one way as a row of `PUT_OUTBOX`."""
    return (
        clean(entry.message_id),
        clean(entry.way),
        clean(entry.person),
        float(entry.made_s),
        clean(entry.kind),
        clean(entry.priority),
        json_text(entry.content),
    )


def json_text(value: Any) -> str:
    """Return `value` as strict JSON: NaN and infinities become null, numpy numbers plain ones."""
    try:
        return clean(json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":")))
    except (ValueError, TypeError):
        return clean(json.dumps(_plain(value), ensure_ascii=False, allow_nan=False, separators=(",", ":")))


@overload
def clean(text: str) -> str: ...


@overload
def clean(text: None) -> None: ...


@overload
def clean(text: str | None) -> str | None: ...


def clean(text: str | None) -> str | None:
    """Return `text` with what UTF-8 cannot carry replaced: SQLite would refuse the row."""
    if text is None or text.isascii():
        return text
    return text.encode("utf-8", "replace").decode("utf-8")


def _plain(value: Any) -> Any:
    if hasattr(value, "tolist"):  # numpy scalars and arrays
        value = value.tolist()
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, str | int | bool):
        return value
    if isinstance(value, Iterable):
        return [_plain(item) for item in value]
    return str(value)


def _row_or_none(reading: Reading, ids: SeriesIds) -> ReadingRow | None:
    try:
        time_ms = round(reading.time_s * 1000.0)
        value = float(reading.value)
    except (ValueError, OverflowError, TypeError):
        return None
    if abs(time_ms) >= _MAX_MS or not math.isfinite(value):
        return None
    return (ids[reading.tank, reading.channel], time_ms, value)


def mark_of_row(row: Sequence[Any]) -> StoredMark:
    """Return the service mark in a row of tank, mark, time and who."""
    tank, mark, time_s, who = row
    return StoredMark(tank, ServiceMark(mark), time_s, who)


def dropped_of_row(row: Sequence[Any]) -> Dropped:
    """Return the note in a row of what, why, count, from and to (ms), time."""
    what, why, count, from_ms, to_ms, time_s = row
    return Dropped(what, why, count, from_ms / 1000.0, to_ms / 1000.0, time_s)


def message_of_row(row: Sequence[Any]) -> StoredMessage:
    """Return the message in a row of the columns of SELECT_OUTBOX."""
    content, *rest = row
    return StoredMessage(json.loads(content), *rest)
