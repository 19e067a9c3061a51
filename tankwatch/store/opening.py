"""Opening the store for writing: one writer only, a sound file, or a new one beside the damaged one."""

import errno
import fcntl
import logging
import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from tankwatch.clock import Clock
from tankwatch.errors import StoreError
from tankwatch.store.connection import Trouble, companion, connect_to_write, trouble_of
from tankwatch.store.schema import migrate, refuse_unknown

_log = logging.getLogger(__name__)

CHECK_LIMIT_S = 20.0
"""The check at start ends after this long: a large file on a slow card must not keep the watch waiting."""

_CHECK_STEPS = 10_000
"""Virtual-machine steps of SQLite between two looks at the time."""


class DamagedStoreError(StoreError):
    """The file is not sound; the caller may set it aside."""


@dataclass(frozen=True, slots=True)
class OpenStore:
    """A store open for writing."""

    connection: sqlite3.Connection
    note: str | None
    """What the keeper must know of the opening: a damaged file was set aside."""


class WriterLock:
    """Keeps a second writer away, for as long as it is held.

    It is a file of its own: closing any other handle on the database would drop SQLite's own locks.
    """

    def __init__(self, path: Path) -> None:
        """Guard the store at `path`; nothing is locked yet."""
        self._path = companion(path, ".lock")
        self._file: int | None = None

    def acquire(self) -> None:
        """Take the lock, or keep it if it is held.

        Raises:
            StoreError: another writer holds it.
            OSError: the lock file cannot be made.
        """
        if self._file is not None:
            return
        file = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            os.close(file)
            raise StoreError(
                f"Another watch writes this store already (it holds {self._path}): stop it first, "
                "or give this one another [store] path."
            ) from error
        except OSError as error:
            # Some network file systems know no such locks; SQLite's own still guard each write.
            _log.warning("no lock on %s: %s", self._path, error)
        self._file = file

    def release(self) -> None:
        """Let the next writer in."""
        if self._file is not None:
            os.close(self._file)
            self._file = None


@contextmanager
def locked_for_writing(path: Path) -> Iterator[None]:
    """Hold the writer's lock for a block."""
    lock = WriterLock(path)
    lock.acquire()
    try:
        yield
    finally:
        lock.release()


def open_store(
    path: Path, clock: Clock, *, busy_s: float, check: bool = True, damage: str | None = None
) -> OpenStore:
    """Open the store at `path` for writing; the caller holds the `WriterLock`.

    A damaged file is renamed and a new one begun: damaged as `check` finds, or as the caller knows by
    `damage`, in words.

    Raises:
        StoreError: the file belongs to something else, is newer, or cannot be replaced.
        PermissionError: the file may not be written.
        sqlite3.Error: it is sound as far as known, but locked or on a full disk.
    """
    if path.is_dir():
        raise StoreError(f"{path} is a folder: [store] path must name a file in it.")
    if path.exists() and not os.access(path, os.W_OK):
        # SQLite would open it all the same, and leave companions as read-only as the file itself.
        raise PermissionError(errno.EACCES, "the file may not be written", str(path))
    if damage is None:
        try:
            return OpenStore(_open_sound(path, busy_s, check), None)
        except DamagedStoreError as error:
            damage = str(error)
        except sqlite3.DatabaseError as error:
            if trouble_of(error) is not Trouble.DAMAGED:
                raise
            damage = str(error)
    aside = set_aside(path, clock)
    note = (
        f"The store {path} was damaged ({damage}). It was set aside as {aside} and a new one begun; "
        f"what can be saved of the old one comes with `sqlite3 {aside.name} .recover`."
    )
    _log.error(note)
    return OpenStore(_open_sound(path, busy_s, check=False), note)


def set_aside(path: Path, clock: Clock) -> Path:
    """Rename the file and its companions with a UTC stamp; return the new path.

    Raises:
        StoreError: it cannot be renamed.
    """
    stamp = datetime.fromtimestamp(clock.wall_s(), UTC).strftime("%Y%m%dT%H%M%SZ")
    aside = companion(path, f".damaged-{stamp}")
    count = 1
    while aside.exists():
        count += 1
        aside = companion(path, f".damaged-{stamp}-{count}")
    try:
        # The log goes first: left alone beside a new file it would be taken for the new file's own.
        for suffix in ("-wal", "-shm"):
            if companion(path, suffix).exists():
                companion(path, suffix).rename(companion(aside, suffix))
        path.rename(aside)
    except OSError as error:
        raise StoreError(
            f"{path} is damaged and cannot be renamed to {aside.name} ({error.strerror}): "
            "move it away by hand."
        ) from error
    return aside


def _open_sound(path: Path, busy_s: float, check: bool) -> sqlite3.Connection:
    if path.exists() and path.stat().st_size > 0:
        # Looked at through a read-only connection: one that may write would fold a write-ahead log into a
        # file that is not sound, or not ours, when it is closed.
        uri = f"{path.absolute().as_uri()}?mode=ro"
        with closing(sqlite3.connect(uri, uri=True, timeout=busy_s, isolation_level=None)) as looking:
            refuse_unknown(looking, path)
            if check:
                _quick_check(looking)
    connection = connect_to_write(path, busy_s)
    try:
        (mode,) = connection.execute("PRAGMA journal_mode = WAL").fetchone()
        if mode != "wal":
            raise StoreError(
                f"{path} lies on a file system without shared memory (journal mode {mode}): "
                "put the store on a local disk."
            )
        connection.execute("PRAGMA synchronous = NORMAL")
        migrate(connection)
    except BaseException:
        connection.close()
        raise
    return connection


def _quick_check(connection: sqlite3.Connection) -> None:
    """Run SQLite's quick check for at most `CHECK_LIMIT_S`.

    Raises:
        DamagedStoreError: it found something.
    """
    end_s = time.monotonic() + CHECK_LIMIT_S
    connection.set_progress_handler(lambda: time.monotonic() > end_s, _CHECK_STEPS)
    try:
        findings = [row[0] for row in connection.execute("PRAGMA quick_check(3)")]
    except sqlite3.OperationalError as error:
        if getattr(error, "sqlite_errorcode", 0) != sqlite3.SQLITE_INTERRUPT:
            raise
        _log.warning("the check of the store was cut short after %.0f s", CHECK_LIMIT_S)
        return
    finally:
        connection.set_progress_handler(None, 0)
    if findings != ["ok"]:
        raise DamagedStoreError("; ".join(" ".join(finding.split()) for finding in findings))
