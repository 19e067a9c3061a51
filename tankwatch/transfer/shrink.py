"""Giving room back that a store no longer fills.

A store begun by this version gives room back by itself, a little at a time, when it is mostly empty. One that
an earlier version began cannot: its free pages are used again, but the file stays as long as it ever was. It
is written anew once, in place and in one transaction, while no watch runs; from then on it shrinks by itself.
"""

import shutil
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from tankwatch.clock import Clock
from tankwatch.errors import StoreError, UsageError
from tankwatch.store.connection import connect_to_read
from tankwatch.store.opening import locked_for_writing, open_store

_BUSY_S = 5.0
_COPIES = 2
"""The readings are written to a temporary file and to the log before they reach the file itself."""
_SPARE_BYTES = 32 * 1024 * 1024
_INCREMENTAL = 2


@dataclass(frozen=True, slots=True)
class Room:
    """How much of a file is used."""

    size_bytes: int
    used_bytes: int
    shrinks: bool
    """Whether the file gives room back by itself."""

    @property
    def is_worth_it(self) -> bool:
        """Whether half the file or more is free and stays so."""
        return not self.shrinks and self.used_bytes * 2 <= self.size_bytes


def room_in(store: Path) -> Room:
    """Return how much of the store is used.

    Raises:
        StoreError: it cannot be read.
    """
    try:
        with closing(connect_to_read(store)) as connection:
            return _room(connection)
    except sqlite3.Error as error:
        raise StoreError(f"the store {store} cannot be read: {error}") from error


def shrink(store: Path, clock: Clock) -> tuple[Room, Room]:
    """Write the store anew, as small as it can be; return how it was and how it is.

    Raises:
        UsageError: the disk has too little room for it.
        StoreError: a watch runs, or the store cannot be written; then it is as it was.
    """
    try:
        with (
            locked_for_writing(store),
            closing(open_store(store, clock, busy_s=_BUSY_S).connection) as connection,
        ):
            before = _room(connection)
            needed = _COPIES * before.used_bytes + _SPARE_BYTES
            free = shutil.disk_usage(store.parent).free
            if free < needed:
                raise UsageError(
                    f"{store}: {needed // 1_000_000} MB must be free on its disk to write it anew, "
                    f"{free // 1_000_000} MB are: it was left as it is"
                )
            connection.execute("PRAGMA auto_vacuum = INCREMENTAL")
            connection.execute("VACUUM")
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            return before, _room(connection)
    except sqlite3.Error as error:
        raise StoreError(f"the store {store} could not be written anew, it is as it was: {error}") from error


def _room(connection: sqlite3.Connection) -> Room:
    (page,) = connection.execute("PRAGMA page_size").fetchone()
    (free,) = connection.execute("PRAGMA freelist_count").fetchone()
    (count,) = connection.execute("PRAGMA page_count").fetchone()
    (vacuum,) = connection.execute("PRAGMA auto_vacuum").fetchone()
    return Room(page * count, page * (count - free), vacuum == _INCREMENTAL)
