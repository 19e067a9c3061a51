"""The door to the one writer of the store: hand over and go on.

Nothing a caller does waits for the disk, and no trouble of the disk reaches it. Readings are written in
batches; steps of alarms, marks and log entries at once. While the disk refuses, everything waits in memory
and is tried again; `health` tells. The work itself is done by `writer_thread.WriterThread`.
"""

import logging
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from pathlib import Path
from typing import Any

from tankwatch.alarms.model import Transition
from tankwatch.clock import Clock
from tankwatch.reading import Channel, Reading, ServiceMark
from tankwatch.snapshot import StoreSnapshot
from tankwatch.store import rows
from tankwatch.store.backlog import Backlog, Event
from tankwatch.store.checkpoint import Checkpointer
from tankwatch.store.connection import Trouble, companion
from tankwatch.store.entry import LogEntry, OutboxEntry
from tankwatch.store.housekeeping import Housekeeper
from tankwatch.store.keeping import Keeping
from tankwatch.store.numbers import Numbers
from tankwatch.store.writer_thread import ROWS_PER_COMMIT, WRITE_BUSY_S, WriterThread

_log = logging.getLogger(__name__)

BEHIND_S = 30.0
"""A reading that waits longer than this, or than ten batches, means that the store is behind."""

LOCKED_FAILED_S = 60.0
"""Another program's lock that lasts this long counts as a failure, not as a delay."""

_FLUSH_LOOK_S = 0.5

_SERVICE = Channel.SERVICE
"""Looking a member up in its enum takes longer than all else that is done to a reading here."""


class StoreWriter:
    """Writes the store at `path`.

    Every method may be called from any thread and returns at once, but for `start`, `flush` and `stop`.
    """

    def __init__(
        self,
        path: Path,
        clock: Clock,
        *,
        batch_s: float = 1.0,
        queue_limit: int = 1_000_000,
        keeping: Keeping | None = None,
    ) -> None:
        """Prepare to write; `batch_s` is how long readings are gathered before a commit, in a large
        room up to ten times as long.

        At most `queue_limit` readings wait in memory: beyond that the oldest are dropped and counted.
        `keeping` says when readings are sealed, and what is dropped when.
        """
        self.path = path
        self.checkpointer = Checkpointer(path)
        self._clock = clock
        self._batch_s = batch_s
        self._news = threading.Condition()
        self._backlog = Backlog(queue_limit)
        self.housekeeper = Housekeeper(path, clock, keeping or Keeping())
        self._worker = WriterThread(
            path, clock, batch_s, self._backlog, self._news, self.checkpointer, self.housekeeper
        )
        self._thread: threading.Thread | None = None
        self._numbers = Numbers()

    @property
    def opening_note(self) -> str | None:
        """What the keeper must know of the opening, in a sentence; None if all went well.

        A store found damaged while the watch runs is noted here too.
        """
        return self._worker.opening_note

    def begin_run_anew(self) -> None:
        """Note that nobody watched until now: the run so far ended with its last sign of life."""
        self._worker.begin_run_anew()

    def when_begun_anew(self, call: Callable[[], None]) -> None:
        """Have `call` called, from the writer's thread, when the file is lost while it is written and a new
        one begun: what was told once, and is still true, must be told again."""
        self._worker.on_begun_anew = call

    def start(self) -> None:
        """Open the store, making it or setting a damaged one aside, and begin to write.

        A file that is sound but locked, read-only, or on a full disk does not stop the start: the writer
        keeps trying, and `health` tells.

        Raises:
            StoreError: another watch writes it, it belongs to something else or to a newer tankwatch, or
                not even a new file can be made there.
        """
        if self._thread is not None and self._thread.is_alive():
            return
        self._worker.make_ready()
        self._thread = threading.Thread(target=self._worker.run, name="store-writer", daemon=True)
        self._thread.start()
        self._worker.opened.wait()
        if self._worker.opening_error is not None:
            self._thread.join()
            self._thread = None
            raise self._worker.opening_error

    def stop(self, timeout_s: float = 10.0) -> None:
        """Write what waits, note the end of the run, fold the log into the file and close.

        After `timeout_s` what could not be written is given up.
        """
        thread = self._thread
        if thread is None:
            return
        self._worker.ask_to_stop(timeout_s)
        thread.join(timeout_s + 2.0 * WRITE_BUSY_S)
        if thread.is_alive():
            _log.error("the store %s did not close within %.0f s", self.path, timeout_s)
        else:
            self._thread = None

    def put_readings(self, readings: Sequence[Reading]) -> None:
        """Keep `readings`; retained ones are not kept, and service readings are kept as marks."""
        kept = [r for r in readings if not r.retained and r.channel is not _SERVICE]
        if len(kept) != len(readings):
            for reading in readings:
                if not reading.retained and reading.channel is _SERVICE:
                    self._put_mark(reading.tank, reading.text or "", reading.time_s, reading.source)
        if not kept:
            return
        with self._news:
            first = not self._backlog.readings
            self._backlog.add_readings(kept, self._clock.monotonic_s())
            if first or len(self._backlog.readings) >= ROWS_PER_COMMIT:
                self._news.notify_all()

    def put_steps(self, steps: Sequence[Transition]) -> None:
        """Keep steps of alarms; they are committed at once."""
        events: list[Event] = [(rows.INSERT_STEP, rows.step_row(step)) for step in steps]
        newest = max((step.alarm.alarm_id for step in steps), default=0)
        more = self._numbers.seen(newest, self._clock.wall_s())
        self._put_events(events if more is None else [more, *events])

    def set_numbers_apart(self, next_alarm_id: int, *, among: int = 1) -> None:
        """Note that alarms are numbered from `next_alarm_id` on: no later watch uses a number twice.

        `among`: only every so manyth number is this watch's.
        """
        self._numbers.among = among
        self._put_events([self._numbers.set_apart(next_alarm_id, self._clock.wall_s())])

    def give_numbers_back(self) -> None:
        """Note that no alarm will be numbered by this watch: the next goes on without leaving any out."""
        event = self._numbers.give_back(self._clock.wall_s())
        if event is not None:
            self._put_events([event])

    def put_mark(self, tank: str, mark: ServiceMark, time_s: float, who: str) -> None:
        """Keep a service mark; it is committed at once. The same mark at the same time is kept once."""
        self._put_mark(tank, mark, time_s, who)

    def put_log(self, entry: LogEntry) -> None:
        """Keep an entry of the care log; it is committed at once."""
        self._put_events([(rows.INSERT_LOG, rows.log_row(entry))])

    def put_memory(self, key: str, value: dict[str, Any]) -> None:
        """Keep `value`, fit for JSON, in place of what was kept under `key`; written with the next batch."""
        event = (rows.PUT_MEMORY, rows.memory_row(key, value, self._clock.wall_s()))
        with self._news:
            self._backlog.add_memory(key, event)
            self._news.notify_all()

    def put_outbox(self, messages: Sequence[OutboxEntry], memory_key: str, memory: dict[str, Any]) -> None:
        """Keep messages and what their maker remembers of them, in one commit at once.

        A message that is there already, by its id and way, stays as it is.
        """
        events = [(rows.PUT_OUTBOX, rows.outbox_row(message)) for message in messages]
        events.append((rows.PUT_MEMORY, rows.memory_row(memory_key, memory, self._clock.wall_s())))
        self._put_events(events)

    def settle_outbox(self, message_id: str, way: str, state: str, attempts: int, detail: str = "") -> None:
        """Note what became of a message: `sent`, `given up`, or `waiting` after a failed attempt."""
        settled_s = None if state == "waiting" else self._clock.wall_s()
        row = (state, attempts, settled_s, rows.clean(detail), message_id, way)
        self._put_events([(rows.SETTLE_OUTBOX, row)])

    def prune_outbox(self, before_s: float) -> None:
        """Drop messages made before `before_s` (seconds since 1970 UTC) that wait no more."""
        self._put_events([(rows.PRUNE_OUTBOX, (before_s,))])

    def kept(self) -> "Future[None]":
        """Return a future that ends when the steps, marks, entries and messages so far are on the disk."""
        with self._news:
            return self._backlog.kept()

    def flush(self, timeout_s: float) -> bool:
        """Wait until all that was handed over before is written; tell whether it was, in `timeout_s`."""
        end_s = time.monotonic() + timeout_s
        with self._news:
            mark = self._backlog.mark()
            while not self._backlog.passed(mark):
                left_s = end_s - time.monotonic()
                if left_s <= 0.0:
                    return False
                self._worker.hurry = True
                self._news.notify_all()
                self._news.wait(min(left_s, _FLUSH_LOOK_S))
        return True

    def health(self) -> StoreSnapshot:
        """Return how the store fares."""
        with self._news:
            behind_s = self._backlog.age_s(self._clock.monotonic_s())
            waiting, dropped = self._backlog.waiting, self._backlog.dropped
            events = len(self._backlog.events)
            state, detail = self._judge(behind_s)
            written = self._worker.written
        if events and state != "fine":
            detail += f"; {events} steps, marks or entries wait, none is dropped"
        return StoreSnapshot(
            path=str(self.path),
            state=state,
            detail=detail,
            waiting=waiting,
            written=written,
            dropped=dropped,
            behind_s=behind_s,
            size_bytes=_size(self.path),
            wal_bytes=_size(companion(self.path, "-wal")),
        )

    def _judge(self, behind_s: float) -> tuple[str, str]:
        if self._thread is not None and not self._thread.is_alive() and not self._worker.stopping:
            return "failed", "the writer has ended; readings wait in memory"
        trouble = self._worker.trouble
        if trouble is not None:
            passing = trouble.kind is Trouble.LOCKED and time.monotonic() - trouble.since_s < LOCKED_FAILED_S
            return ("behind" if passing else "failed"), trouble.text
        if self.checkpointer.held:
            return "behind", (
                "another program keeps the file open for reading, so its log cannot be folded in: "
                "readings wait in memory"
            )
        if behind_s > max(BEHIND_S, 10.0 * self._batch_s):
            return "behind", f"the disk is slow: the oldest reading has waited {behind_s:.0f} s"
        if self.housekeeper.note is not None:
            return "behind", self.housekeeper.note
        return "fine", self.housekeeper.damage_note or ""

    def _put_mark(self, tank: str, word: str, time_s: float, who: str) -> None:
        try:
            mark = ServiceMark(word)
        except ValueError:
            _log.warning("no such service mark: %r", word)
            return
        self._put_events([(rows.INSERT_MARK, rows.mark_row(tank, time_s, mark, who))])

    def _put_events(self, events: list[Event]) -> None:
        with self._news:
            self._backlog.add_events(events)
            self._news.notify_all()


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0
