"""Sealing, dropping and giving back room: done by the writer's thread, a little at a time.

One slice is one small transaction. After each the thread is free for steps of alarms and for readings, and
rests for several times as long as the slice took, so that a slow card and a slow processor keep up.
"""

import logging
import shutil
import sqlite3
import time
from collections import deque
from collections.abc import Callable, MutableMapping
from dataclasses import replace
from functools import partial
from pathlib import Path

from tankwatch.clock import Clock
from tankwatch.store import retention
from tankwatch.store.block import HOUR_MS
from tankwatch.store.codec import BlockError
from tankwatch.store.keeping import MIB, Keeping
from tankwatch.store.late import sealed_ends
from tankwatch.store.seal import ripe, seal_some
from tankwatch.store.sheets import begin_sealing, fold_due, seal_sheets
from tankwatch.store.soundness import BlockCheck, Damaged, Place

_log = logging.getLogger(__name__)

FIRST_LOOK_S = 60.0
"""The start belongs to more urgent work."""
LOOK_EVERY_S = 600.0
DISK_EVERY_S = 10.0
WAIT_MS = 24 * HOUR_MS
"""Readings that fill no block are sealed all the same when they have waited so long."""
STEADY_S = 3600.0
"""Nothing is dropped by age before the wall clock ran steadily for so long: a wrong one would drop all."""

BLOCKS_CHECKED_AT_ONCE = 100
"""Blocks whose checksums are compared each time: some 100 KB, 14,000 blocks a day."""

_CLOCK_STEP_S = 60.0
_REST = 4.0
_SHORTEST_REST_S = 0.02
_UNRIPE_AT_ONCE = 50
_VACUUM_PAGES = 256
_GIVE_BACK_BYTES = 64 * MIB

InTransaction = Callable[[Callable[[sqlite3.Connection], None]], None]


def free_bytes_of(path: Path) -> int:
    """Return the free bytes of the disk that `path` lies on."""
    return shutil.disk_usage(path.parent).free


class Housekeeper:
    """Belongs to the writer's thread; `note` and `due_s` may be read by any."""

    def __init__(
        self,
        path: Path,
        clock: Clock,
        keeping: Keeping,
        *,
        free_bytes: Callable[[Path], int] = free_bytes_of,
        steady_s: float = STEADY_S,
    ) -> None:
        """Plan; the first look comes soon after the start."""
        self.keeping = keeping
        self.note: str | None = None
        """What the keeper of the room must know: the disk is nearly full."""
        self.damage_note: str | None = None
        """What the keeper may want to know: which readings are damaged."""
        self.due_s = time.monotonic() + FIRST_LOOK_S
        """When the next slice is due, by `time.monotonic`."""
        self._path = path
        self._clock = clock
        self._free_bytes = free_bytes
        self._steady_s = steady_s
        self._series: deque[int] = deque()
        self._stuck: set[int] = set()
        self._looking = False
        self._fresh = False
        self._blocks = BlockCheck()
        self._damaged: dict[Place, Damaged] = {}
        self._found: dict[Place, Damaged] = {}
        self._wish: retention.Wish | None = None
        self._disk_due_s = 0.0
        self._short = False
        self._offset_s = 0.0
        self._steady_from_s: float | None = None

    @property
    def is_urgent(self) -> bool:
        """Whether room must be made before more is written."""
        return self._short and time.monotonic() >= self.due_s

    def hurry(self) -> None:
        """Look again now: the disk is full, or a test wants to see it."""
        self._disk_due_s = self.due_s = 0.0

    def look_at_disk(self, connection: sqlite3.Connection) -> None:
        """Note whether the disk is nearly full, now and then."""
        now_s = time.monotonic()
        if now_s < self._disk_due_s:
            return
        self._disk_due_s = now_s + DISK_EVERY_S
        wanted = self.keeping.min_free_mb * MIB
        try:
            free = self._free_bytes(self._path)
        except OSError as error:
            _log.warning("the free room beside %s is not known: %s", self._path, error)
            return
        is_low = wanted > 0 and free < wanted * (2.2 if self.note else 2.0)
        if is_low:
            if self.note is None:
                _log.warning("the disk of %s is nearly full: %d MiB are free", self._path, free // MIB)
            self.note = (
                f"the disk is nearly full: {free // MIB} MiB are free; below "
                f"{self.keeping.min_free_mb:g} MiB the oldest readings are dropped, never alarms and log"
            )
        else:
            self.note = None
        was_short = self._short
        self._short = is_low and free < wanted and self._room(connection, free) < self._reserve(wanted)
        if self._short and not was_short:
            self.due_s = now_s

    def slice(
        self,
        connection: sqlite3.Connection,
        in_transaction: InTransaction,
        sealed_to_ms: MutableMapping[int, int],
    ) -> None:
        """Do one small piece of what is to be done, and set when the next one is due."""
        begin_s = time.monotonic()
        try:
            self._see_that_the_clock_is_steady()
            if not self._looking:
                self._begin_look(connection)
            if self._fresh:
                self._seal_fresh(connection, in_transaction, sealed_to_ms)
            elif self._series:
                self._seal(connection, in_transaction, sealed_to_ms)
            elif self._wish is not None:
                self._drop(self._wish, in_transaction)
            else:
                self._wish = self._next_wish(connection)
                if self._wish is None and not self._give_back(connection):
                    self._check_some(connection)
                    self._looking = False
        finally:
            end_s = time.monotonic()
            rest_s = max(_REST * (end_s - begin_s), _SHORTEST_REST_S) if self._looking else LOOK_EVERY_S
            self.due_s = end_s + rest_s

    def finish(
        self,
        connection: sqlite3.Connection,
        in_transaction: InTransaction,
        sealed_to_ms: MutableMapping[int, int],
    ) -> None:
        """Do all that is to be done now, without a rest: for histories written at once."""
        self._begin_look(connection)
        while self._looking:
            self.slice(connection, in_transaction, sealed_to_ms)

    def _begin_look(self, connection: sqlite3.Connection) -> None:
        rows = connection.execute("SELECT series_id FROM series ORDER BY series_id").fetchall()
        self._series = deque(series_id for (series_id,) in rows)
        self._stuck.clear()
        self._looking = self._fresh = True

    def _seal_fresh(
        self,
        connection: sqlite3.Connection,
        in_transaction: InTransaction,
        sealed_to_ms: MutableMapping[int, int],
    ) -> None:
        """Fold what is old enough, then seal some series of what has been folded."""
        now_ms, before_ms = self._now_and_before_ms()
        fold = fold_due(connection, before_ms)

        def seal(connection: sqlite3.Connection) -> None:
            sealed: list[int] = []
            if begin_sealing(connection, before_ms, now_ms, before_ms - WAIT_MS):
                sealed = seal_sheets(connection, before_ms)
            for series_id in sealed:
                sealed_to_ms[series_id] = sealed_ends(connection, series_id).get(series_id, 0)
            self._fresh = bool(sealed)

        try:
            in_transaction(seal if fold is None else fold)
        except BlockError as error:  # a codec that is missing: they are sealed when it is there again
            _log.error("fresh readings stay unsealed: %s", error)
            self._fresh = False

    def _now_and_before_ms(self) -> tuple[int, int]:
        """Return now, and the start of the first hour that is not sealed yet, in ms since 1970 UTC."""
        now_ms = int(self._clock.wall_s() * 1000.0)
        return now_ms, (now_ms - int(self.keeping.seal_after_h * HOUR_MS)) // HOUR_MS * HOUR_MS

    def _seal(
        self,
        connection: sqlite3.Connection,
        in_transaction: InTransaction,
        sealed_to_ms: MutableMapping[int, int],
    ) -> None:
        _, before_ms = self._now_and_before_ms()
        for _ in range(min(_UNRIPE_AT_ONCE, len(self._series))):
            series_id = self._series[0]
            if series_id in self._stuck or not ripe(connection, series_id, before_ms, before_ms - WAIT_MS):
                self._series.popleft()
                continue
            try:
                in_transaction(partial(_seal_one, series_id, before_ms, sealed_to_ms))
            except BlockError as error:
                _log.error("readings stay unsealed beside a block of series %d: %s", series_id, error)
                self._stuck.add(series_id)
            return

    def _next_wish(self, connection: sqlite3.Connection) -> retention.Wish | None:
        steady = (
            self._steady_from_s is not None
            and self._clock.monotonic_s() - self._steady_from_s >= self._steady_s
        )
        if self._short:
            free = self._free_bytes(self._path)
            wanted = self.keeping.min_free_mb * MIB
            self._short = self._room(connection, free) < self._reserve(wanted)
        keeping = self.keeping if steady else replace(self.keeping, readings_days=0.0, hours_days=0.0)
        return retention.wish(connection, keeping, self._clock.wall_s(), short_of_room=self._short)

    def _drop(self, wish: retention.Wish, in_transaction: InTransaction) -> None:
        count = 0

        def drop(connection: sqlite3.Connection) -> None:
            nonlocal count
            count = retention.fulfil(connection, wish, self._clock.wall_s())

        in_transaction(drop)
        if count:
            _log.warning("%d %s were dropped from the store: %s", count, wish.what, wish.why)
        else:
            self._wish = None

    def _give_back(self, connection: sqlite3.Connection) -> bool:
        """Cut some free pages off a file that is mostly empty; tell whether there are more."""
        if connection.execute("PRAGMA auto_vacuum").fetchone() != (2,):
            return False
        page, free, pages = _pages(connection)
        if free * page < _GIVE_BACK_BYTES or free * 2 < pages:
            return False
        connection.execute(f"PRAGMA incremental_vacuum({_VACUUM_PAGES})").fetchall()
        return True

    def _check_some(self, connection: sqlite3.Connection) -> None:
        """Look at the checksums of some blocks, a few more each time until all have been looked at."""
        count, before = 0, len(self._damaged)
        for place, damaged in self._blocks.go(connection, BLOCKS_CHECKED_AT_ONCE):
            count += 1
            self._damaged.pop(place, None)
            if damaged is not None:
                self._damaged[place] = self._found[place] = damaged
        if count < BLOCKS_CHECKED_AT_ONCE:  # the end: what was not found again is gone
            self._damaged, self._found = self._found, {}
            self._blocks = BlockCheck()
        if self._damaged:
            first = min(self._damaged.values(), key=lambda damaged: damaged.from_s)
            self.damage_note = (
                f"the disk gives back other bytes than it was given: {first} cannot be read"
                + (f", and {len(self._damaged) - 1} more such stretches" if len(self._damaged) > 1 else "")
                + "; all else can. Make a backup on another disk and replace this one"
            )
            if len(self._damaged) > before:
                _log.error("%s: %s", self._path, self.damage_note)
        else:
            self.damage_note = None

    def _room(self, connection: sqlite3.Connection, free: int) -> int:
        """Return the bytes that the store can still fill: free ones of the disk and of its own file."""
        page, unused, _ = _pages(connection)
        return free + page * unused

    def _reserve(self, wanted: float) -> float:
        """Return how much room is made on a disk that others fill: enough to go on, not more."""
        try:
            size = self._path.stat().st_size
        except OSError:
            size = 0
        return min(wanted, max(16 * MIB, size / 10))

    def _see_that_the_clock_is_steady(self) -> None:
        offset_s = self._clock.wall_s() - self._clock.monotonic_s()
        if self._steady_from_s is None or abs(offset_s - self._offset_s) > _CLOCK_STEP_S:
            self._steady_from_s = self._clock.monotonic_s()
            self._offset_s = offset_s


def _seal_one(
    series_id: int, before_ms: int, sealed_to_ms: MutableMapping[int, int], connection: sqlite3.Connection
) -> None:
    seal_some(connection, series_id, before_ms)
    # Should the transaction fail after all, the writer reads the ends anew from the file.
    sealed_to_ms[series_id] = sealed_ends(connection, series_id).get(series_id, 0)


def _pages(connection: sqlite3.Connection) -> tuple[int, int, int]:
    """Return size of a page, and the number of free pages and of all."""
    (size,) = connection.execute("PRAGMA page_size").fetchone()
    (free,) = connection.execute("PRAGMA freelist_count").fetchone()
    (count,) = connection.execute("PRAGMA page_count").fetchone()
    return size, free, count
