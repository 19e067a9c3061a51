"""The process of `tankwatch watch`: starts every part in order, waits for a signal, stops them in order."""

import gc
import logging
import os
import signal
import sqlite3
import threading
from dataclasses import replace
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

from tankwatch import __version__
from tankwatch.alarms.chatter import WINDOW_S
from tankwatch.clock import Clock, SystemClock
from tankwatch.config import Config, warnings_of
from tankwatch.config_split import seen_by
from tankwatch.control.path import socket_path
from tankwatch.control.server import ControlServer
from tankwatch.errors import StoreError
from tankwatch.notify.notifier import MEMORY_KEY as TOLD_KEY
from tankwatch.rooms.links import AllHealth, RoomLinks
from tankwatch.snapshot import RoomSnapshot
from tankwatch.sources.inbox import Inbox
from tankwatch.sources.source_set import SourceSet
from tankwatch.split.opening import dealt_numbers, open_tenant
from tankwatch.split.portion import Portion
from tankwatch.split.tenant import Tenant
from tankwatch.store.keeping import Keeping
from tankwatch.store.reader import StoreReader
from tankwatch.store.writer import StoreWriter
from tankwatch.watch.guard import Guard
from tankwatch.watch.judge import MEMORY_KEY, Judge, Timing
from tankwatch.watch.logs import start_logging, stop_logging
from tankwatch.watch.telling import Telling
from tankwatch.watchdog.watchdog import Watchdog

if TYPE_CHECKING:
    from tankwatch.store.postgres.forward_thread import ForwardThread

log = logging.getLogger(__name__)

INBOX_CAPACITY = 20_000
"""Readings that may wait for the judge: minutes of a large room, and a few megabytes."""
GATHER_S = 0.02
"""Readings that come within this time are judged together."""
_COLLECT_AFTER = 50_000
"""New objects after which cycles are looked for; the default is 700."""
STOP_WITHIN_S = 5.0
"""How long each part may take to stop."""


class Watch:
    """All parts of a running watch. The store admits no second one from `start` to `stop`."""

    def __init__(self, config: Config, *, clock: Clock | None = None, timing: Timing | None = None) -> None:
        """Plan a watch over the tanks of `config`; nothing is opened yet."""
        self.config = config
        self.clock = clock or SystemClock()
        self.timing = timing or Timing()
        self.socket_path = socket_path(config)
        self._stop_judge = threading.Event()
        name = config.watch_name
        self._portion = None if name is None else Portion(name, self.clock, MEMORY_KEY)
        self._tenant: Tenant | None = None
        self._forward: ForwardThread | None = None

    def start(self) -> None:
        """Open the store, restore what stood, and start every part.

        Raises:
            StoreError: another watch writes this store, or it cannot be opened.
            ControlError: the control socket cannot be opened.
        """
        self._started_s = self.clock.wall_s()
        self._store = StoreWriter(self.config.store.path, self.clock, keeping=Keeping.of(self.config.store))
        self._store.start()
        try:
            self._start_parts(self.config.store.path)
        except BaseException:
            self._store.stop(STOP_WITHIN_S)
            raise

    def _start_parts(self, path: Path) -> None:
        if self._store.opening_note:
            log.warning("store: %s", self._store.opening_note)
        reader = StoreReader(path)
        watchdog = self._restore(reader)
        standing = watchdog.book.standing
        self._store.set_numbers_apart(watchdog.book.next_id, among=dealt_numbers(self.config)[1])
        self._inbox = Inbox(INBOX_CAPACITY, gather_s=GATHER_S)
        self._sources = SourceSet(
            self.config, self._inbox, self.clock, lost_after_s=self.timing.source_lost_after_s
        )
        self._guard = Guard(
            lambda: self._judge.heartbeat_s,
            self._show,
            self.clock,
            stalled_after_s=self.timing.stalled_after_s,
        )
        self._links = RoomLinks(
            self.config,
            self.clock,
            carry=lambda action: self._judge.carry(action),
            lost_after_s=self.timing.source_lost_after_s,
        )
        self._judge = Judge(
            self.config,
            watchdog,
            inbox=self._inbox,
            sources=AllHealth(self._sources, self._links),
            store=self._store,
            clock=self.clock,
            publish=self._guard.pass_on,
            timing=self.timing,
            permit_of_code=lambda code: self._telling.permit_of_code(code),
            on_stood_still=lambda _: self._store.begin_run_anew(),
            portion=self._portion,
        )
        self._telling = Telling(
            self.config,
            self._store,
            reader,
            self.clock,
            started_s=self._started_s,
            carry=self._judge.carry,
            judge_heartbeat=lambda: self._judge.heartbeat_s,
            portion=self._portion,
        )
        self._server = ControlServer(self.socket_path, self._judge.carry, self._store.kept)
        self._store.when_begun_anew(self._tell_store_again)
        self._server.start()
        self._thread = threading.Thread(
            target=self._judge.run, args=(self._stop_judge,), name="judge", daemon=True
        )
        self._thread.start()
        self._guard.start()
        self._sources.start()
        self._links.start()
        if self._portion is not None:
            self._tenant = open_tenant(
                self.config,
                self._portion,
                self.clock,
                memory_key=MEMORY_KEY,
                told_key=TOLD_KEY,
                judge_beat=lambda: self._judge.heartbeat_s,
                flush=self._store.flush,
            )
            self._tenant.start()
        self._forward = _forwarding(self.config, path, self.clock)
        what = f"{len(self.config.tank)} tank(s) from {len(self.config.source)} source(s)"
        if self.config.centre is not None and self.config.centre.rooms:
            what += f" and {len(self.config.centre.rooms)} room(s) elsewhere"
        self._telling.start(f"watches {what}")
        log.info(
            "tankwatch %s watches %s; store %s, %d alarm(s) standing",
            __version__,
            what,
            path,
            len(standing),
        )

    def _tell_store_again(self) -> None:
        """See that a store begun anew learns all that the next watch needs."""
        self._store.set_numbers_apart(self._judge.watchdog.book.next_id, among=dealt_numbers(self.config)[1])
        self._judge.tell_store_again()

    def _restore(self, reader: StoreReader) -> Watchdog:
        """Return a watchdog that knows what was learned and what stood when the last watch ended."""
        dealt = dealt_numbers(self.config)
        # Tanks of a split room are taken up one by one, from whoever had them last.
        holds: tuple[str, ...] | None = None if self._portion is None else ()
        try:
            standing = reader.standing_alarms()
            return Watchdog(
                self.config,
                memory=reader.memory(MEMORY_KEY),
                standing=[a for a in standing if holds is None or a.tank is None],
                next_alarm_id=reader.next_alarm_id(),
                recent=reader.steps(self._started_s - WINDOW_S, self._started_s),
                holds=holds,
                dealt=dealt,
            )
        except StoreError as error:
            log.error("what stood before is not known, and what was learned must be learned anew: %s", error)
            # Numbers of alarms must not be given twice; no store has seen as many as there are seconds.
            return Watchdog(self.config, next_alarm_id=int(self.clock.wall_s()), holds=holds, dealt=dealt)

    def _show(self, snapshot: RoomSnapshot) -> None:
        """Hand a picture to the screens, to other places, and to the part that tells people."""
        if self._forward is not None:
            snapshot = replace(snapshot, forward=self._forward.health())
        self._server.publish(snapshot)
        self._links.publish(snapshot)
        self._telling.publish(snapshot)

    def stop(self) -> None:
        """Stop every part, keep what was learned, and let go of the store."""
        if self._tenant is not None:
            self._tenant.stop(STOP_WITHIN_S)
        self._sources.stop(STOP_WITHIN_S)
        self._links.stop(STOP_WITHIN_S)
        if self._forward is not None:
            self._forward.stop(STOP_WITHIN_S)
        self._stop_judge.set()
        self._thread.join(STOP_WITHIN_S)
        self._guard.stop()
        if self._thread.is_alive():
            log.error("the judge does not stop; what it learned since it last saved is lost")
        else:
            self._judge.finish()
            self._store.give_numbers_back()
        self._telling.stop(STOP_WITHIN_S)
        self._server.stop(STOP_WITHIN_S)
        if not self._store.flush(STOP_WITHIN_S):
            log.error("the store did not take everything within %.0f s", STOP_WITHIN_S)
        if self._tenant is not None:
            self._tenant.leave()
        self._store.stop(STOP_WITHIN_S)


def _forwarding(config: Config, path: Path, clock: Clock) -> "ForwardThread | None":
    """Start to forward the store where the configuration asks for it."""
    if config.forward is None:
        return None
    from tankwatch.store.postgres.forward_thread import ForwardThread

    forward = config.forward
    thread = ForwardThread(
        path,
        forward.url,
        config.room.slug,
        clock,
        rows_per_s=forward.rows_per_s,
        every_s=forward.every_s,
        password_file=forward.password_file,
    )
    thread.start()
    return thread


def spare_the_collector() -> None:
    """Have Python's collector of cycles leave alone what was made at the start, and come round less often.

    Readings are many and in no cycle; at its usual pace the collector takes a tenth of the time in a flood.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(_COLLECT_AFTER, 20, 20)


def run_watch(config: Config) -> int:
    """Watch until SIGTERM, SIGHUP or SIGINT; return the exit status: 0, or 130 after SIGINT.

    Raises:
        StoreError: another watch writes this store, or it cannot be opened.
        ControlError: the control socket cannot be opened.
        UsageError: the room is split, and it was not said which of its watches this is.
    """
    config = seen_by(config, config.watch_name)
    path = config.store.path
    got: list[int] = []
    wake = threading.Event()

    def on_signal(number: int, frame: FrameType | None) -> None:
        got.append(number)
        wake.set()

    # SIGHUP too: a watch started by hand must save what it learned when its terminal goes away.
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, on_signal)
    os.umask(os.umask(0o077) | 0o022)  # store, log and lock are never for others to write
    handlers = start_logging(path)
    try:
        for warning in warnings_of(config):
            log.warning("%s", warning)
        log.info("SQLite %s", sqlite3.sqlite_version)
        watch = Watch(config)
        watch.start()
        spare_the_collector()
        log.info("press Ctrl+C to stop; see the room with: tankwatch screen")
        wake.wait()
        log.info("stopping on %s", signal.Signals(got[0]).name)
        watch.stop()
        log.info("stopped")
    finally:
        stop_logging(handlers)
    return 130 if got[0] == signal.SIGINT else 0
