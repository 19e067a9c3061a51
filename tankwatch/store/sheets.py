"""Folding fresh readings: batches into sheets, sheets into larger ones, and all of them into blocks.

Every step is one transaction that puts readings in one place and takes them from another: an interruption at
any point leaves each of them in one of the two. The more of a room's readings a sheet holds, the fewer are to
be looked into for one series; the fewer times a reading is written anew, the longer a card lasts.
"""

import logging
import sqlite3
from collections.abc import Callable, Iterable
from functools import partial

import numpy as np

from tankwatch.store.block import HOUR_MS
from tankwatch.store.codec import BlockError, DamagedError
from tankwatch.store.fresh import DAMAGED, Floats, Ints, Mixed, in_order
from tankwatch.store.mixed import pack_mixed, unpack_mixed
from tankwatch.store.seal import seal_readings

_log = logging.getLogger(__name__)

Fold = Callable[[sqlite3.Connection], None]

BATCHES = 64
"""So many batches make a run of sheets, or fewer if they hold much."""
RUNS = 16
"""So many runs of sheets make a larger one, unless it would hold too much."""
MOST_READINGS = 131_072
"""Readings folded in one transaction: alarms wait for no more than that."""
SHEET_READINGS = 2048
"""A sheet is closed at the end of the series that fills it."""
SEAL_READINGS = 2048
"""Sheets are sealed when they hold so many readings of each series, or when the oldest has waited."""
SERIES_AT_ONCE = 16
"""Series sealed in one transaction."""
DAY_MS = 24 * HOUR_MS

_SEALING = 0
"""Level of sheets whose readings are being sealed."""


def fold_due(connection: sqlite3.Connection, before_ms: int | None = None) -> Fold | None:
    """Return what is to be folded now, to be done in a transaction; None if nothing is.

    Many batches or sheets are, and any batch written before `before_ms`, in ms since 1970 UTC.
    """
    batches, readings, oldest_ms = connection.execute(
        "SELECT count(*), sum(count), min(written_ms) FROM fresh"
    ).fetchone()
    is_old = before_ms is not None and batches and oldest_ms < before_ms
    if batches >= BATCHES or is_old or (readings or 0) >= MOST_READINGS:
        return _fold_batches
    for level, runs, readings in connection.execute(
        "SELECT level, count(DISTINCT run), sum(count) FROM sheet WHERE level > 0 GROUP BY level"
    ).fetchall():
        if runs >= RUNS and readings <= MOST_READINGS:
            return partial(_fold_sheets, level)
    return None


def begin_sealing(connection: sqlite3.Connection, before_ms: int, now_ms: int, wait_ms: int) -> bool:
    """Choose the sheets to be sealed, unless some are being sealed; tell whether there are any.

    `before_ms` is the start of an hour. Sheets written since then stay, as do all while they hold few
    readings and none was written before `wait_ms`. Belongs in an open transaction.
    """
    if connection.execute("SELECT 1 FROM sheet WHERE level = ?", (_SEALING,)).fetchone():
        return True
    # A sheet from the future was written while the clock was wrong: it waits for nothing.
    is_old = "level > 0 AND (written_ms < ? OR written_ms > ?)"
    values = (before_ms, now_ms + DAY_MS)
    readings, oldest_ms = connection.execute(
        f"SELECT sum(count), min(written_ms) FROM sheet WHERE {is_old}",  # noqa: S608
        values,
    ).fetchone()
    (series,) = connection.execute("SELECT count(*) FROM series").fetchone()
    if not readings or (readings < SEAL_READINGS * series and oldest_ms >= wait_ms):
        return False
    connection.execute(f"UPDATE sheet SET level = {_SEALING} WHERE {is_old}", values)  # noqa: S608
    return True


def seal_sheets(connection: sqlite3.Connection, before_ms: int) -> list[int]:
    """Seal some series of the chosen sheets in the open transaction; return which, empty at the end.

    Readings from `before_ms` (the start of an hour) on, which only wrong clocks can have made, become rows,
    and so do those beside a block that cannot be unpacked.
    """
    (first,) = connection.execute(
        "SELECT min(first_series) FROM sheet WHERE level = ?", (_SEALING,)
    ).fetchone()
    if first is None:
        return []
    series = [
        number
        for (number,) in connection.execute(
            "SELECT series_id FROM series WHERE series_id >= ? ORDER BY series_id LIMIT ?",
            (first, SERIES_AT_ONCE),
        ).fetchall()
    ]
    last = series[-1] if series else first
    parts = _unpacked(
        connection,
        connection.execute(
            "SELECT sheet_id, data FROM sheet JOIN sheet_data USING (sheet_id) "
            "WHERE level = ? AND first_series <= ?",
            (_SEALING, last),
        ).fetchall(),
    )
    mixed = in_order(parts)
    for number in series:
        begin, end = np.searchsorted(mixed[0], (number, number + 1)).tolist()
        if begin < end:
            _seal_series(connection, number, mixed[1][begin:end], mixed[2][begin:end], before_ms)
    _take_out(connection, last)
    return series or [first]


def _seal_series(
    connection: sqlite3.Connection, series_id: int, time_ms: Ints, value: Floats, before_ms: int
) -> None:
    ripe = int(np.searchsorted(time_ms, before_ms))
    done = 0
    try:
        while done < ripe:
            done += seal_readings(connection, series_id, time_ms[done:ripe], value[done:ripe])
    except BlockError as error:
        _log.error("readings stay unsealed beside a block of series %d: %s", series_id, error)
    rest = zip(time_ms[done:].tolist(), value[done:].tolist(), strict=True)
    connection.executemany(
        "INSERT OR IGNORE INTO reading VALUES (?, ?, ?)", ((series_id, *row) for row in rest)
    )


def _take_out(connection: sqlite3.Connection, last_series: int) -> None:
    """Take the series up to `last_series` out of the sheets that are being sealed."""
    connection.execute(
        "UPDATE sheet SET first_series = :last + 1 WHERE level = :level AND first_series <= :last",
        {"last": last_series, "level": _SEALING},
    )
    _delete_sheets(connection, f"level = {_SEALING} AND first_series > last_series")


def _fold_batches(connection: sqlite3.Connection) -> None:
    rows = connection.execute(
        "SELECT fresh_id, data, written_ms, count FROM fresh ORDER BY fresh_id"
    ).fetchall()
    most, count = 0, 0
    while most < len(rows) and (most == 0 or count + rows[most][3] <= MOST_READINGS):
        count += rows[most][3]
        most += 1
    rows = rows[:most]
    parts = []
    for fresh_id, data, _, _ in rows:
        try:
            parts.append(unpack_mixed(data))
        except DamagedError as error:
            _keep_damaged(connection, fresh_id, error)
    _put_run(connection, 1, parts, max(row[2] for row in rows))
    connection.execute("DELETE FROM fresh WHERE fresh_id <= ?", (rows[-1][0],))


def _fold_sheets(level: int, connection: sqlite3.Connection) -> None:
    (written_ms,) = connection.execute(
        "SELECT max(written_ms) FROM sheet WHERE level = ?", (level,)
    ).fetchone()
    rows = connection.execute(
        "SELECT sheet_id, data FROM sheet JOIN sheet_data USING (sheet_id) WHERE level = ?", (level,)
    ).fetchall()
    parts = _unpacked(connection, rows)
    _delete_sheets(connection, f"level = {level}")
    _put_run(connection, level + 1, parts, written_ms)


def _unpacked(connection: sqlite3.Connection, rows: Iterable[tuple[int, bytes]]) -> list[Mixed]:
    """Unpack sheets; those that cannot be are left as they are for good."""
    parts = []
    for sheet_id, data in rows:
        try:
            parts.append(unpack_mixed(data))
        except BlockError as error:
            _log.error(
                "sheet %d of fresh readings cannot be sealed and is left as it is: %s", sheet_id, error
            )
            connection.execute("UPDATE sheet SET level = ? WHERE sheet_id = ?", (DAMAGED, sheet_id))
    return parts


def _keep_damaged(connection: sqlite3.Connection, fresh_id: int, error: DamagedError) -> None:
    _log.error("batch %d of fresh readings cannot be folded and is left as it is: %s", fresh_id, error)
    sheet_id = connection.execute(
        "INSERT INTO sheet (level, run, written_ms, first_series, last_series, first_ms, last_ms, count) "
        "SELECT ?, 0, written_ms, first_series, last_series, first_ms, last_ms, count FROM fresh "
        "WHERE fresh_id = ?",
        (DAMAGED, fresh_id),
    ).lastrowid
    connection.execute(
        "INSERT INTO sheet_data (sheet_id, data) SELECT ?, data FROM fresh WHERE fresh_id = ?",
        (sheet_id, fresh_id),
    )


def _put_run(connection: sqlite3.Connection, level: int, parts: list[Mixed], written_ms: int) -> None:
    """Write readings as sheets, each of whole series."""
    series, time_ms, value = in_order(parts)
    if not len(series):
        return
    begins = np.flatnonzero(np.diff(series, prepend=-1))
    (run,) = connection.execute("SELECT coalesce(max(run), 0) + 1 FROM sheet").fetchone()
    begin = 0
    for end in [*begins[1:].tolist(), len(series)]:
        if end - begin < SHEET_READINGS and end < len(series):
            continue
        cut = slice(begin, end)
        sheet_id = connection.execute(
            "INSERT INTO sheet (level, run, written_ms, first_series, last_series, first_ms, last_ms, count) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (
                *(level, run, written_ms),
                *(int(series[begin]), int(series[end - 1])),
                *(int(time_ms[cut].min()), int(time_ms[cut].max())),
                end - begin,
            ),
        ).lastrowid
        packed = pack_mixed(series[cut], time_ms[cut], value[cut])
        connection.execute("INSERT INTO sheet_data (sheet_id, data) VALUES (?, ?)", (sheet_id, packed))
        begin = end


def _delete_sheets(connection: sqlite3.Connection, where: str) -> None:
    connection.execute(f"DELETE FROM sheet_data WHERE sheet_id IN (SELECT sheet_id FROM sheet WHERE {where})")  # noqa: S608
    connection.execute(f"DELETE FROM sheet WHERE {where}")  # noqa: S608
