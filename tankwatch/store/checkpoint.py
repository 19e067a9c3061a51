"""Folding the write-ahead log into the file, so that it neither grows without end nor wears out the card.

A reader that keeps an old picture of the file open stops the log from being begun anew. Then readings are
held back and written in few large batches: each page is written once for many readings instead of once a
second, and the log grows no faster than the readings themselves.
"""

import sqlite3
import time
from pathlib import Path

from tankwatch.store.connection import companion

_READER_MS = 50
"""A short reader is waited for; one that outlasts this is not waited for again."""

_AGAIN_S = 1.0
"""Pause between attempts while a reader stays."""


class Checkpointer:
    """Decides when to fold; belongs to the writer's thread. `held` may be read by any."""

    def __init__(self, path: Path) -> None:
        """Look after the log beside `path`."""
        self.fold_bytes = 16 * 1024 * 1024
        """The log is folded in when it has grown by this much."""
        self.hold_bytes = 64 * 1024 * 1024
        """A log that cannot be folded and is larger than this holds back readings."""
        self.idle_s = 3600.0
        """However small, the log is folded in this often."""
        self.held = False
        self._busy = False
        self._tried_s = time.monotonic()
        self._wal = companion(path, "-wal")
        self._tried_at_bytes = 0
        self._folded_s = time.monotonic()

    def reopened(self) -> None:
        """Forget what was known of the log: another file may lie there now."""
        self.held = self._busy = False
        self._tried_at_bytes = 0

    def after_commit(self, connection: sqlite3.Connection) -> None:
        """Fold if it is time to."""
        size = self._size()
        grown = size - self._tried_at_bytes >= self.fold_bytes
        idle = size > 0 and time.monotonic() - self._folded_s >= self.idle_s
        again = self._busy and time.monotonic() - self._tried_s >= _AGAIN_S
        if grown or idle or again:
            self.fold(connection)

    def fold(self, connection: sqlite3.Connection) -> None:
        """Copy the log into the file and cut it to nothing, as far as readers let it."""
        (busy_ms,) = connection.execute("PRAGMA busy_timeout").fetchone()
        connection.execute(f"PRAGMA busy_timeout = {0 if self._busy else _READER_MS}")
        try:
            (busy, _, _) = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        finally:
            connection.execute(f"PRAGMA busy_timeout = {busy_ms}")
        size = self._size()
        self._tried_at_bytes = size
        self._tried_s = time.monotonic()
        self._busy = bool(busy)
        self.held = self._busy and size >= self.hold_bytes
        if not busy:
            self._folded_s = self._tried_s

    def _size(self) -> int:
        try:
            return self._wal.stat().st_size
        except OSError:
            return 0
