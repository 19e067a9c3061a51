"""A verified copy of the store by SQLite's online backup; a watch may go on writing meanwhile."""

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from tankwatch.errors import StoreError, UsageError
from tankwatch.store.connection import companion, connect_to_read, make_private
from tankwatch.store.soundness import BlockCheck, Damaged, damaged_fresh

_PAGES = 4096
_UNPACKED = 1000
"""About so many blocks are unpacked, or all if there are fewer."""


@dataclass(frozen=True, slots=True)
class Backup:
    """What was copied."""

    path: Path
    size_bytes: int
    rows: dict[str, int]
    """Rows by table, the same in the store (at the moment of the copy) and in the copy."""
    blocks: int = 0
    """Blocks of old readings whose checksums were compared in the copy."""
    damaged: tuple[Damaged, ...] = ()
    """Readings that cannot be read any more: the copy has them as the store has them."""


def back_up(store: Path, copy: Path, progress: Callable[[float], None] | None = None) -> Backup:
    """Copy the store to `copy`, which must not exist yet; it takes its name only when it is verified.

    The store is copied as it was when the copy began: one read transaction holds it, so that a watch that
    writes meanwhile neither tears the copy nor makes it start again.

    Raises:
        UsageError: `copy` exists, or cannot be written.
        StoreError: the store cannot be read, or the copy is not sound.
    """
    if copy.exists():
        raise UsageError(f"{copy} exists: name a new file, so that no good copy is lost")
    if not copy.parent.is_dir():
        raise UsageError(f"{copy.parent} is no folder: make it first")
    partial = companion(copy, ".partial")
    partial.unlink(missing_ok=True)
    try:
        with closing(connect_to_read(store)) as source:
            source.execute("BEGIN")
            rows = _counts(source)
            make_private(partial)
            with closing(sqlite3.connect(partial, isolation_level=None)) as target:
                source.backup(target, pages=_PAGES, progress=_teller(progress))
                # One file, that can be carried away as it lies.
                target.execute("PRAGMA journal_mode = DELETE")
            source.execute("COMMIT")
        blocks, damaged = _verify(partial, rows)
        file = os.open(partial, os.O_RDONLY)
        try:
            os.fsync(file)
        finally:
            os.close(file)
        size = partial.stat().st_size
        os.rename(partial, copy)
    except sqlite3.Error as error:
        raise StoreError(f"the store {store} could not be copied to {copy}: {error}") from error
    except OSError as error:
        raise UsageError(f"{copy} cannot be written: {error.strerror}") from error
    finally:
        partial.unlink(missing_ok=True)
    return Backup(copy, size, rows, blocks, damaged)


def _counts(connection: sqlite3.Connection) -> dict[str, int]:
    tables = connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name"
    ).fetchall()
    return {
        table: int(connection.execute(f'SELECT count(*) FROM "{table}"').fetchone()[0])  # noqa: S608
        for (table,) in tables
    }


def _verify(path: Path, rows: dict[str, int]) -> tuple[int, tuple[Damaged, ...]]:
    """Read the whole copy; return how many blocks it has, and what of its readings is damaged.

    Each checksum is compared and one block in so many unpacked: what SQLite's own check cannot see.
    """
    with closing(connect_to_read(path)) as connection:
        findings = [row[0] for row in connection.execute("PRAGMA integrity_check(3)")]
        if findings != ["ok"]:
            raise StoreError(f"the copy is not sound ({'; '.join(findings)}): look at both disks")
        found = _counts(connection)
        check = BlockCheck(unpack_each=max(1, found.get("block", 0) // _UNPACKED))
        damaged = [damaged for _, damaged in check.go(connection) if damaged is not None]
        damaged += damaged_fresh(connection)
    if found != rows:
        raise StoreError(f"the copy holds {found}, the store held {rows}: it was thrown away")
    return check.looked_at, tuple(damaged)


def _teller(progress: Callable[[float], None] | None) -> Callable[[int, int, int], object] | None:
    if progress is None:
        return None

    def tell(_status: int, remaining: int, total: int) -> None:
        progress(1.0 if total == 0 else 1.0 - remaining / total)

    return tell
