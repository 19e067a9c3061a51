"""Writing much history at once, through the same tables: for the demo and for tests.

A new file is written without a journal under another name and takes its own name when it is whole and on
the disk; an existing one is added to under its log, batch by batch.
"""

import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing
from itertools import islice
from operator import itemgetter
from pathlib import Path

from tankwatch.alarms.model import Transition
from tankwatch.clock import Clock, SystemClock
from tankwatch.errors import StoreError
from tankwatch.reading import Channel, Reading, ServiceMark
from tankwatch.store import rows
from tankwatch.store.connection import companion, connect_to_write
from tankwatch.store.entry import LogEntry
from tankwatch.store.housekeeping import Housekeeper
from tankwatch.store.keeping import Keeping
from tankwatch.store.opening import locked_for_writing, open_store
from tankwatch.store.schema import migrate

Progress = Callable[[int], None]
"""Told how many readings are written so far."""

BATCH = 20_000
"""Readings per transaction: each series gets a run of neighbours, so that its pages are written few times."""

_BUSY_S = 5.0

_CACHE_KIB = 16 * 1024

_time_ms = itemgetter(1)


def write_history(
    path: Path,
    readings: Iterable[Reading],
    steps: Iterable[Transition] = (),
    *,
    log: Iterable[LogEntry] = (),
    run: tuple[float, float] | None = None,
    progress: Progress | None = None,
    clock: Clock | None = None,
    sealed: bool = False,
) -> int:
    """Write `readings`, then `steps` and `log`, to the store at `path`; return how many readings are new.

    Service readings become marks, retained ones are left out, as the writer does. `steps` and `log` are
    asked for only after the last reading, so that one pass of an engine can fill them meanwhile. `run` is
    the stretch in which a watch ran; by default from the first to the last reading. `sealed` packs readings
    older than an hour by `clock` at once, as a watch would in time. An error raised by an
    iterable leaves no new file behind.

    Raises:
        StoreError: another watch writes the store, or it cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with locked_for_writing(path):
            if path.exists():
                connection = open_store(path, clock or SystemClock(), busy_s=_BUSY_S).connection
                with closing(connection):
                    count = _fill(connection, readings, steps, log, run, progress)
                    if sealed:
                        _seal_all(path, connection, clock or SystemClock())
                    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
                return count
            seal_by = clock or SystemClock() if sealed else None
            return _write_new(path, readings, steps, log, run, progress, seal_by)
    except (sqlite3.Error, OSError) as error:
        raise StoreError(f"History cannot be written to {path}: {error}.") from error


def _write_new(
    path: Path,
    readings: Iterable[Reading],
    steps: Iterable[Transition],
    log: Iterable[LogEntry],
    run: tuple[float, float] | None,
    progress: Progress | None,
    seal_by: Clock | None,
) -> int:
    partial = companion(path, ".partial")
    partial.unlink(missing_ok=True)
    try:
        with closing(connect_to_write(partial, _BUSY_S)) as connection:
            connection.execute("PRAGMA journal_mode = MEMORY")
            connection.execute("PRAGMA synchronous = OFF")
            connection.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")
            migrate(connection)
            count = _fill(connection, readings, steps, log, run, progress)
            if seal_by is not None:
                _seal_all(partial, connection, seal_by)
        _to_disk(partial)
        # A log left by a file that is gone would be taken for the new one's.
        for suffix in ("-wal", "-shm"):
            companion(path, suffix).unlink(missing_ok=True)
        partial.rename(path)
    finally:
        partial.unlink(missing_ok=True)
    return count


def _seal_all(path: Path, connection: sqlite3.Connection, clock: Clock) -> None:
    def in_transaction(work: Callable[[sqlite3.Connection], None]) -> None:
        connection.execute("BEGIN IMMEDIATE")
        try:
            work(connection)
        except BaseException:
            connection.execute("ROLLBACK")
            raise
        connection.execute("COMMIT")

    forever = Keeping(readings_days=0.0, hours_days=0.0)
    Housekeeper(path, clock, forever).finish(connection, in_transaction, {})
    connection.execute("PRAGMA incremental_vacuum").fetchall()


def _to_disk(path: Path) -> None:
    file = os.open(path, os.O_RDONLY)
    try:
        os.fsync(file)
    finally:
        os.close(file)


def _fill(
    connection: sqlite3.Connection,
    readings: Iterable[Reading],
    steps: Iterable[Transition],
    log: Iterable[LogEntry],
    run: tuple[float, float] | None,
    progress: Progress | None,
) -> int:
    ids = rows.SeriesIds(connection)
    seen = count = 0
    first_s, last_s = float("inf"), float("-inf")
    for batch in _batches(readings):
        seen += len(batch)
        kept = [r for r in batch if not r.retained and r.channel is not Channel.SERVICE]
        connection.execute("BEGIN IMMEDIATE")
        table_rows, _ = rows.reading_rows(kept, ids)
        count += rows.insert_readings(connection, table_rows, ids.sealed_to_ms)
        connection.executemany(rows.INSERT_MARK, _mark_rows(batch) if len(kept) != len(batch) else [])
        connection.execute("COMMIT")
        if table_rows:
            first_s = min(first_s, min(map(_time_ms, table_rows)) / 1000.0)
            last_s = max(last_s, max(map(_time_ms, table_rows)) / 1000.0)
        if progress is not None:
            progress(seen)
    if run is None and first_s <= last_s:
        run = (first_s, last_s)
    connection.execute("BEGIN IMMEDIATE")
    connection.executemany(rows.INSERT_STEP, [rows.step_row(step) for step in steps])
    connection.executemany(rows.INSERT_LOG, [rows.log_row(entry) for entry in log])
    if run is not None:
        connection.execute("INSERT INTO run (start_s, end_s, boot_id, clean) VALUES (?, ?, '', 1)", run)
    connection.execute("COMMIT")
    return count


def _batches(readings: Iterable[Reading]) -> Iterator[Sequence[Reading]]:
    rest = iter(readings)
    while batch := list(islice(rest, BATCH)):
        yield batch


def _mark_rows(batch: Sequence[Reading]) -> list[tuple[object, ...]]:
    words = frozenset(ServiceMark)
    return [
        rows.mark_row(r.tank, r.time_s, ServiceMark(r.text), r.source)
        for r in batch
        if r.channel is Channel.SERVICE and not r.retained and r.text in words
    ]
