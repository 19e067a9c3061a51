"""Leases in a SQLite file, for several watches on one machine.

Time is the machine's own monotonic clock, which all its processes share; after a restart of the machine every
lease is over, since nobody lives who held one. The file has a rollback journal, not a write-ahead log: with
one of those older versions of SQLite can lose data where several programs write. It must not lie on a network
share, whose locks cannot be relied on (https://sqlite.org/lockingv3.html).
"""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from tankwatch.clock import Clock
from tankwatch.split.leases import Hold, Lease, LeasesError, Request, Rows, Standing, asks_for_more, decide
from tankwatch.store.connection import Trouble, trouble_of
from tankwatch.store.runs import boot_id

BUSY_S = 1.0
"""How long another watch's turn is waited for; each takes a few milliseconds."""

_TABLES = """
CREATE TABLE IF NOT EXISTS boot (id TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS lease (
    name TEXT PRIMARY KEY, run TEXT NOT NULL, since_s REAL NOT NULL, until_s REAL NOT NULL);
CREATE TABLE IF NOT EXISTS hold (
    tank TEXT PRIMARY KEY, holder TEXT, run TEXT NOT NULL, token INTEGER NOT NULL, before TEXT,
    since_s REAL NOT NULL);
"""


class SqliteLeases:
    """The leases in the file at `path`, made if it is not there."""

    def __init__(self, path: Path, clock: Clock, *, boot: Callable[[], str] = boot_id) -> None:
        """Prepare; the file is opened anew at each turn, so that one that was replaced is noticed."""
        self._path = path
        self._clock = clock
        self._boot = boot

    def turn(self, request: Request) -> Standing:
        """Renew, let go and take; see `Leases.turn`."""
        with self._open() as connection:
            connection.execute("BEGIN IMMEDIATE")
            for statement in _TABLES.split(";"):
                connection.execute(statement)
            self._forget_before_boot(connection)
            lease, holds, standing = decide(self._rows(connection), request)
            if lease is not None:
                connection.execute(
                    "INSERT OR REPLACE INTO lease VALUES (?, ?, ?, ?)",
                    (lease.name, lease.run, lease.since_s, lease.until_s),
                )
            connection.executemany(
                "INSERT OR REPLACE INTO hold VALUES (?, ?, ?, ?, ?, ?)",
                [(h.tank, h.holder, h.run, h.token, h.before, h.since_s) for h in holds],
            )
            connection.execute("COMMIT")
        return standing

    def look(self, request: Request) -> bool:
        """Tell whether a turn would do more than renew; see `Leases.look`."""
        with self._open() as connection:
            connection.execute("BEGIN")
            boots = connection.execute("SELECT id FROM boot").fetchall()
            return boots != [(self._boot(),)] or asks_for_more(self._rows(connection), request)

    def close(self) -> None:
        """Nothing stays open."""

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        try:
            connection = sqlite3.connect(self._path, timeout=BUSY_S, isolation_level=None)
        except sqlite3.Error as error:
            raise LeasesError(f"{self._path}: {error}") from error
        try:
            connection.execute("PRAGMA journal_mode = PERSIST")
            yield connection
        except sqlite3.Error as error:
            hint = "; move it away" if trouble_of(error) is Trouble.DAMAGED else ""
            raise LeasesError(f"{self._path}: {error}{hint}") from error
        finally:
            connection.close()  # what was not committed is undone

    def _rows(self, connection: sqlite3.Connection) -> Rows:
        leases = {row[0]: Lease(*row) for row in connection.execute("SELECT * FROM lease")}
        holds = {row[0]: Hold(*row) for row in connection.execute("SELECT * FROM hold")}
        return Rows(self._clock.monotonic_s(), leases, holds)

    def _forget_before_boot(self, connection: sqlite3.Connection) -> None:
        boot = self._boot()
        if connection.execute("SELECT id FROM boot").fetchall() == [(boot,)]:
            return
        connection.execute("DELETE FROM boot")
        connection.execute("INSERT INTO boot VALUES (?)", (boot,))
        connection.execute("DELETE FROM lease")
        connection.execute("UPDATE hold SET since_s = 0")  # who held a tank last has what was learned of it
