"""How the file is opened, by the one writer and by the many readers, and what SQLite's errors mean.

SQLite from 3.7.0 up to 3.51.2 (bar 3.44.6 and 3.50.7) can lose committed data when two connections write
and checkpoint in the same instant. Here only one connection ever does either, under a lock file, and every
other one is read-only; a read-only connection cannot checkpoint, not even as the last to close.
"""

import contextlib
import os
import sqlite3
from enum import StrEnum
from pathlib import Path

from tankwatch.errors import StoreError
from tankwatch.store.schema import APPLICATION_ID, SCHEMA_VERSION

READ_BUSY_S = 2.0
"""A reader waits this long for the moments in which the writer starts or repairs the write-ahead log."""


class Trouble(StrEnum):
    """What an error of SQLite means for the watch."""

    LOCKED = "locked"
    """Another program holds the file: it passes."""
    FULL = "full"
    """No room on the disk."""
    READ_ONLY = "read-only"
    """The file or its folder may not be written."""
    DAMAGED = "damaged"
    """The file is not sound."""
    OTHER = "other"
    """A failing disk, a vanished mount, or the like."""


_TROUBLE = {
    sqlite3.SQLITE_BUSY: Trouble.LOCKED,
    sqlite3.SQLITE_LOCKED: Trouble.LOCKED,
    sqlite3.SQLITE_FULL: Trouble.FULL,
    sqlite3.SQLITE_READONLY: Trouble.READ_ONLY,
    sqlite3.SQLITE_PERM: Trouble.READ_ONLY,
    sqlite3.SQLITE_CANTOPEN: Trouble.READ_ONLY,
    sqlite3.SQLITE_CORRUPT: Trouble.DAMAGED,
    sqlite3.SQLITE_NOTADB: Trouble.DAMAGED,
}


def trouble_of(error: sqlite3.Error) -> Trouble:
    """Say what `error` means; extended result codes count as their primary one."""
    return _TROUBLE.get(getattr(error, "sqlite_errorcode", 0) & 0xFF, Trouble.OTHER)


def companion(path: Path, suffix: str) -> Path:
    """Return the file beside `path` whose name ends in `suffix` (`-wal`, `-shm`, `.lock`)."""
    return path.with_name(path.name + suffix)


def make_private(path: Path) -> None:
    """Make an empty file at `path` for its owner alone, whatever the umask; one that is there stays as it is.

    SQLite gives its companions the mode of the file. Where none can be made, SQLite says why.
    """
    with contextlib.suppress(OSError):
        os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))


def connect_to_write(path: Path, busy_s: float) -> sqlite3.Connection:
    """Open `path` for the writer, making it if need be; transactions are begun and ended by hand."""
    make_private(path)
    connection = sqlite3.connect(path, timeout=busy_s, isolation_level=None)
    connection.execute("PRAGMA auto_vacuum = INCREMENTAL")  # of a new file: room can be given back later
    connection.execute("PRAGMA wal_autocheckpoint = 0")  # the writer chooses its moments
    return connection


def connect_to_read(path: Path) -> sqlite3.Connection:
    """Open `path` read-only and see that it is a store this program understands.

    Raises:
        StoreError: no such file, not a store, or a newer one.
    """
    if not path.is_file():
        raise StoreError(
            f"There is no store at {path}: nothing was recorded yet, or [store] path names another file. "
            "A running `tankwatch watch` makes it."
        )
    uri = path.absolute().as_uri()
    try:
        return _checked(f"{uri}?mode=ro", path)
    except sqlite3.OperationalError as error:
        # A folder that may not be written (an archive, a copy on a card): with no write-ahead log beside
        # it the file is whole and nobody writes it, so it can be read as it lies.
        if trouble_of(error) is not Trouble.READ_ONLY or _has_wal(path):
            raise
        return _checked(f"{uri}?mode=ro&immutable=1", path)


def wal_reset_bug(version: tuple[int, ...] = sqlite3.sqlite_version_info) -> bool:
    """Tell whether this SQLite has the fault described above."""
    if version >= (3, 51, 3):
        return False
    patched = ((3, 44, 6), (3, 50, 7))
    return not any(version[:2] == fixed[:2] and version >= fixed for fixed in patched)


def _has_wal(path: Path) -> bool:
    wal = companion(path, "-wal")
    return wal.exists() and wal.stat().st_size > 0


def _checked(uri: str, path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(uri, uri=True, timeout=READ_BUSY_S, isolation_level=None)
    try:
        (application_id,) = connection.execute("PRAGMA application_id").fetchone()
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        if version > SCHEMA_VERSION:
            raise StoreError(
                f"{path} was written by a newer tankwatch (schema {version}, this one knows "
                f"{SCHEMA_VERSION}): update tankwatch."
            )
        if application_id != APPLICATION_ID or version < 1:
            raise StoreError(f"{path} holds no tankwatch store. See [store] path in the configuration.")
        if version < SCHEMA_VERSION:
            raise StoreError(
                f"{path} was written by an older tankwatch (schema {version}, this one reads "
                f"{SCHEMA_VERSION}): start `tankwatch watch` once, it brings the store up to date."
            )
    except BaseException:
        connection.close()
        raise
    return connection
