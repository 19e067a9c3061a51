"""The thread that does every write and every checkpoint of the store.

Readings are committed with `synchronous=NORMAL`: a power cut may cost the last half minute of them, never the
file.
Steps of alarms, marks and log entries are committed with `FULL`: they are on the disk when the commit
returns. What the disk refuses stays in the backlog and is tried again, ever more slowly.
"""

import logging
import os
import sqlite3
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from tankwatch.clock import Clock
from tankwatch.errors import StoreError
from tankwatch.reading import Reading
from tankwatch.store import rows
from tankwatch.store.backlog import Backlog, Event
from tankwatch.store.checkpoint import Checkpointer
from tankwatch.store.codec import BlockError
from tankwatch.store.connection import Trouble, trouble_of
from tankwatch.store.housekeeping import Housekeeper
from tankwatch.store.intake import take_in
from tankwatch.store.opening import WriterLock, open_store
from tankwatch.store.runs import RunKeeper
from tankwatch.store.sheets import fold_due

_log = logging.getLogger(__name__)

ROWS_PER_COMMIT = 20_000
"""So many readings make a batch at once, and none is larger: a step of an alarm never waits for more."""

READINGS_AT_ONCE = 20
LONGEST_STRETCH = 10.0
"""A commit writes a few whole pages, however few its readings: where a batch holds more than so many, the
next is gathered for longer, up to so many times."""

RETRY_FIRST_S = 0.1
RETRY_LAST_S = 5.0
"""Pauses between attempts while the disk refuses: doubled from the first to the last."""

OPEN_BUSY_S = 5.0
WRITE_BUSY_S = 1.0
"""How long another program's lock is waited for, at the start and at each write."""

HEARTBEAT_S = 30.0
"""The running watch notes this often, on the disk, that it lives: after a crash the blind time is known to
within it, and a power cut costs no readings older than it."""


@dataclass(frozen=True, slots=True)
class TroubleNote:
    """Why the store cannot be written now."""

    kind: Trouble
    text: str
    since_s: float
    """Monotonic, seconds."""


class WriterThread:
    """The body of the thread. `news` guards the backlog and all that is public here."""

    def __init__(
        self,
        path: Path,
        clock: Clock,
        batch_s: float,
        backlog: Backlog,
        news: threading.Condition,
        checkpointer: Checkpointer,
        keeper: Housekeeper,
    ) -> None:
        """Prepare; nothing is opened before `run`."""
        self.opened = threading.Event()
        self.opening_error: StoreError | None = None
        self.opening_note: str | None = None
        self.trouble: TroubleNote | None = None
        self.hurry = False
        """Set to have everything written without waiting for the batch to fill."""
        self.stopping = False
        self.written = 0
        """Readings new to the store."""
        self.on_begun_anew: Callable[[], None] | None = None
        """Called from this thread when a new file takes the place of one that was lost while it ran."""
        self._path = path
        self._clock = clock
        self._batch_s = batch_s
        self._backlog = backlog
        self._news = news
        self._checkpointer = checkpointer
        self._keeper = keeper
        self._runs = RunKeeper(clock)
        self._lock = WriterLock(path)
        self._give_up_at_s = float("inf")
        self._connection: sqlite3.Connection | None = None
        self._file_id: tuple[int, int] | None = None
        self._ids: rows.SeriesIds | None = None
        self._must_check = True
        self._damage: str | None = None

    def make_ready(self) -> None:
        """Forget an earlier stop."""
        self.stopping = False
        self.opening_error = None
        self._give_up_at_s = float("inf")
        self.opened.clear()

    def begin_run_anew(self) -> None:
        """Have the next sign of life begin a run of its own; from any thread."""
        self._runs.forget()

    def ask_to_stop(self, timeout_s: float) -> None:
        """Have the thread write what waits and end, or give up after `timeout_s`."""
        with self._news:
            self.stopping = True
            self._give_up_at_s = time.monotonic() + timeout_s
            self._news.notify_all()

    def run(self) -> None:
        """Open, write until stopped, close."""
        try:
            self._open_first()
            self.opened.set()
            if self.opening_error is None:
                self._write_until_stopped()
        finally:
            self._close()
            self._lock.release()
            self._runs.forget()
            self._must_check = True
            self.opened.set()

    # -- opening ------------------------------------------------------------------------------------

    def _open_first(self) -> None:
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            self._open(OPEN_BUSY_S)
        except StoreError as error:
            self.opening_error = error
        except (sqlite3.Error, OSError) as error:
            if self._path.is_file() and os.access(self._path.parent, os.W_OK) and self._path.stat().st_size:
                self._note_trouble(error)
                self.opening_note = (
                    f"The store {self._path} cannot be written ({error}); it is tried again and again, and "
                    "readings wait in memory."
                )
            else:
                self.opening_error = StoreError(
                    f"No store can be written at {self._path}: {error}. See that the folder may be written "
                    "and that its disk has room."
                )

    def _open(self, busy_s: float) -> None:
        """Open, or open again."""
        self._close()
        self._lock.acquire()
        existed = self._path.exists()
        opened = open_store(
            self._path, self._clock, busy_s=busy_s, check=self._must_check, damage=self._damage
        )
        self._connection = opened.connection
        self._connection.execute(f"PRAGMA busy_timeout = {int(WRITE_BUSY_S * 1000)}")
        self._must_check = False
        self._damage = None
        if opened.note is not None:
            self.opening_note = opened.note
            self._runs.forget()
        self._file_id = _file_id(self._path)
        self._checkpointer.reopened()
        self._in_transaction(self._runs.tell_life)
        is_new = opened.note is not None or not existed
        if is_new and self.opened.is_set() and self.on_begun_anew is not None:
            self.on_begun_anew()

    def _close(self) -> None:
        self._ids = None
        if self._connection is not None:
            try:
                self._connection.close()
            except sqlite3.Error as error:
                _log.warning("closing the store: %s", error)
            self._connection = None

    def _see_that_it_is_open(self) -> None:
        if self._connection is not None and _file_id(self._path) != self._file_id:
            _log.error("the store %s was moved or deleted while it was written", self._path)
            self._runs.forget()
            self._close()
        if self._connection is None:
            self._open(WRITE_BUSY_S)

    # -- the loop -----------------------------------------------------------------------------------

    def _write_until_stopped(self) -> None:
        pause_s = RETRY_FIRST_S
        batch_due_s = time.monotonic()
        heartbeat_due_s = time.monotonic() + HEARTBEAT_S
        hurry = False
        while True:
            with self._news:
                self._wait_for_work(batch_due_s, heartbeat_due_s)
                stopping = self.stopping
                hurry = hurry or self.hurry or stopping
                self.hurry = False
            try:
                now_s = time.monotonic()
                self._see_that_it_is_open()
                self._keeper.look_at_disk(self._writing())
                if self._keeper.is_urgent:
                    self._keep_house()
                self._write_events()
                if hurry or now_s >= batch_due_s or len(self._backlog.readings) >= ROWS_PER_COMMIT:
                    count = len(self._backlog.readings)
                    self._write_batches(hurry)
                    batch_due_s = now_s + self._batch_s * _stretch(count)
                if now_s >= heartbeat_due_s:
                    self._on_the_disk(self._runs.tell_life)
                    heartbeat_due_s = now_s + HEARTBEAT_S
                self._checkpointer.after_commit(self._writing())
                if now_s >= self._keeper.due_s and not stopping and not self._checkpointer.held:
                    self._keep_house()
                    self._checkpointer.after_commit(self._writing())
                if stopping:
                    self._in_transaction(self._runs.end)
                    self._checkpointer.fold(self._writing())
                    return
                self._clear_trouble()
                hurry = False
                pause_s = RETRY_FIRST_S
            except Exception as error:  # whatever it is, the watch goes on and the writer tries again
                self._note_trouble(error)
                if self._pause(pause_s):
                    return
                pause_s = min(2.0 * pause_s, RETRY_LAST_S)

    def _wait_for_work(self, batch_due_s: float, heartbeat_due_s: float) -> None:
        """Sleep until there is something to do; `news` is held."""
        backlog = self._backlog
        while not (self.stopping or self.hurry or backlog.events):
            if len(backlog.readings) >= ROWS_PER_COMMIT and not self._checkpointer.held:
                return
            waiting = bool(backlog.readings or backlog.memory)
            due_s = min(batch_due_s, heartbeat_due_s) if waiting else heartbeat_due_s
            if not self._checkpointer.held:
                due_s = min(due_s, self._keeper.due_s)
            left_s = due_s - time.monotonic()
            if left_s <= 0.0:
                return
            self._news.wait(left_s)

    def _pause(self, pause_s: float) -> bool:
        """Wait before the next attempt; tell whether the time to stop has run out."""
        with self._news:
            if not self.stopping:
                self._news.wait_for(lambda: self.stopping, pause_s)
                return False
            left_s = self._give_up_at_s - time.monotonic()
            if left_s > 0.0:
                self._news.wait_for(lambda: False, min(RETRY_FIRST_S, left_s))
                return False
            _log.error("the store %s was left with %d readings unwritten", self._path, self._backlog.waiting)
            return True

    def _note_trouble(self, error: Exception) -> None:
        kind = trouble_of(error) if isinstance(error, sqlite3.Error) else Trouble.OTHER
        text = f"{self._path}: {error}"
        with self._news:
            before, since_s = self.trouble, time.monotonic()
            if before is not None:
                since_s = before.since_s
            if before is None or before.text != text:
                _log.error("the store cannot be written: %s", text, exc_info=kind is Trouble.OTHER)
            self.trouble = TroubleNote(kind, text, since_s)
        if kind is Trouble.FULL:
            self._keeper.hurry()
        if kind is Trouble.DAMAGED:
            self._must_check = True
            if before is not None and before.kind is Trouble.DAMAGED:
                self._damage = str(error)  # the check found nothing, and yet it happened again
        if kind not in (Trouble.LOCKED, Trouble.FULL):
            self._close()  # a connection that met a failing or vanished disk is of no more use

    def _clear_trouble(self) -> None:
        with self._news:
            if self.trouble is not None:
                _log.warning("the store is written again: %s", self._path)
            self.trouble = None

    # -- writing ------------------------------------------------------------------------------------

    def _writing(self) -> sqlite3.Connection:
        if self._connection is None:
            raise StoreError(f"the store {self._path} is not open")
        return self._connection

    def _in_transaction(self, work: Callable[[sqlite3.Connection], None]) -> None:
        connection = self._writing()
        connection.execute("BEGIN IMMEDIATE")
        try:
            work(connection)
            connection.execute("COMMIT")
        except BaseException:
            self._ids = None  # series made in this transaction are gone with it
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise

    def _on_the_disk(self, work: Callable[[sqlite3.Connection], None]) -> None:
        """Do `work` in a transaction that is on the disk when it ends, with all that was committed before."""
        connection = self._writing()
        connection.execute("PRAGMA synchronous = FULL")
        try:
            self._in_transaction(work)
        finally:
            connection.execute("PRAGMA synchronous = NORMAL")

    def _known_ids(self, connection: sqlite3.Connection) -> rows.SeriesIds:
        if self._ids is None:
            self._ids = rows.SeriesIds(connection)
        return self._ids

    def _keep_house(self) -> None:
        """Seal or drop a little."""
        connection = self._writing()
        self._keeper.slice(connection, self._in_transaction, self._known_ids(connection).sealed_to_ms)

    def _write_events(self) -> None:
        """Commit steps, marks and log entries so that they are on the disk."""
        with self._news:
            events = list(self._backlog.events)
        if not events:
            return
        self._on_the_disk(lambda connection: _insert_events(connection, events))
        with self._news:
            self._backlog.settle_events(len(events))
            self._news.notify_all()

    def _write_batches(self, hurry: bool) -> None:
        """Write the readings and memory that wait now, leaving off for steps as they come."""
        if self._checkpointer.held and not hurry and self._backlog.waiting < self._backlog.limit // 2:
            return
        left = len(self._backlog.readings)
        while left > 0 or self._backlog.memory:
            with self._news:
                batch = self._backlog.take_readings(min(ROWS_PER_COMMIT, left))
                memory = dict(self._backlog.memory)
            left = left - len(batch) if batch else 0
            try:
                written, refused = self._insert_batch(batch, [event for _, event in memory.values()])
            except BaseException:
                with self._news:
                    self._backlog.give_back(batch)
                raise
            with self._news:
                self._backlog.settle(len(batch), refused)
                self._backlog.settle_memory(memory)
                self.written += written
                self._news.notify_all()
            self._write_events()
            self._checkpointer.after_commit(self._writing())
            self._fold()

    def _fold(self) -> None:
        """Fold batches into sheets when there are many, and sheets into larger ones."""
        while (fold := fold_due(self._writing())) is not None:
            try:
                self._in_transaction(fold)
            except BlockError as error:  # a codec that is missing: reading them goes slowly until it is there
                _log.error("fresh readings stay unfolded: %s", error)
                return
            self._write_events()

    def _insert_batch(self, batch: Sequence[Reading], memory: Sequence[Event]) -> tuple[int, int]:
        """Commit `batch` and `memory`; return how many readings are new, and how many are no use."""
        written = refused = 0

        def insert(connection: sqlite3.Connection) -> None:
            nonlocal written, refused
            ids = self._known_ids(connection)
            table_rows, refused = rows.reading_rows(batch, ids)
            written = take_in(connection, table_rows, ids, int(self._clock.wall_s() * 1000.0))
            for statement, row in memory:
                connection.execute(statement, row)

        self._in_transaction(insert)
        return written, refused


def _stretch(readings: int) -> float:
    """Return how many times longer to gather after a batch of so many readings."""
    return min(max(readings / READINGS_AT_ONCE, 1.0), LONGEST_STRETCH)


def _insert_events(connection: sqlite3.Connection, events: Sequence[Event]) -> None:
    for statement, row in events:
        try:
            connection.execute(statement, row)
        except (sqlite3.IntegrityError, sqlite3.ProgrammingError, OverflowError) as error:
            # Trying again would never help, and would hold up all that comes after.
            _log.error("not fit to be stored: %s: %r", error, row)


def _file_id(path: Path) -> tuple[int, int] | None:
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_dev, status.st_ino
