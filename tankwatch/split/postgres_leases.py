"""Leases in PostgreSQL, for watches on several machines. Time is the server's clock, read under the lock.

A server's clock that is set forward by more than a lease ends leases early; keep it with a time server, which
slews. The lock is an advisory one, not on rows: the rules look at all rows of a room.
"""

from pathlib import Path
from typing import TYPE_CHECKING, Any

from tankwatch.errors import StoreError
from tankwatch.split.leases import Hold, Lease, LeasesError, Request, Rows, Standing, asks_for_more, decide
from tankwatch.store.postgres.connection import connect

if TYPE_CHECKING:
    import psycopg

    Connection = psycopg.Connection[tuple[Any, ...]]

_LOCK = 0x7477_6C73
"""First number of the advisory locks; the second is made of the room."""
SERVER_CLOCK = "extract(epoch from clock_timestamp())::float8"

_TABLES = """
CREATE SCHEMA IF NOT EXISTS tankwatch_split;
CREATE TABLE IF NOT EXISTS tankwatch_split.lease (
    room text NOT NULL, name text NOT NULL, run text NOT NULL, since_s float8 NOT NULL,
    until_s float8 NOT NULL, PRIMARY KEY (room, name));
CREATE TABLE IF NOT EXISTS tankwatch_split.hold (
    room text NOT NULL, tank text NOT NULL, holder text, run text NOT NULL, token bigint NOT NULL,
    before text, since_s float8 NOT NULL, PRIMARY KEY (room, tank));
"""


class PostgresLeases:
    """The leases of `room` at `url`; one connection, opened again after a failure."""

    def __init__(
        self,
        url: str,
        room: str,
        *,
        answer_within_s: float,
        password_file: Path | None = None,
        now_sql: str = SERVER_CLOCK,
    ) -> None:
        """Prepare; `now_sql` gives the time in s, `answer_within_s` bounds each statement and each wait."""
        self._url, self._room, self._password_file = url, room, password_file
        self._answer_within_ms = max(1, int(answer_within_s * 1000))
        self._now_sql = now_sql
        self._connection: Connection | None = None

    def turn(self, request: Request) -> Standing:
        """Renew, let go and take; see `Leases.turn`."""
        import psycopg

        try:
            connection = self._open()
            with connection.transaction():
                connection.execute("SELECT pg_advisory_xact_lock(%s, hashtext(%s))", (_LOCK, self._room))
                lease, holds, standing = decide(self._rows(connection), request)
                if lease is not None:
                    connection.execute(
                        "INSERT INTO tankwatch_split.lease VALUES (%s, %s, %s, %s, %s) "
                        "ON CONFLICT (room, name) DO UPDATE SET run = EXCLUDED.run, "
                        "since_s = EXCLUDED.since_s, until_s = EXCLUDED.until_s",
                        (self._room, lease.name, lease.run, lease.since_s, lease.until_s),
                    )
                with connection.cursor() as cursor:
                    cursor.executemany(
                        "INSERT INTO tankwatch_split.hold VALUES (%s, %s, %s, %s, %s, %s, %s) "
                        "ON CONFLICT (room, tank) DO UPDATE SET holder = EXCLUDED.holder, "
                        "run = EXCLUDED.run, token = EXCLUDED.token, "
                        "before = EXCLUDED.before, since_s = EXCLUDED.since_s",
                        [(self._room, h.tank, h.holder, h.run, h.token, h.before, h.since_s) for h in holds],
                    )
        except (psycopg.Error, StoreError) as error:
            raise self._failed(error) from error
        return standing

    def look(self, request: Request) -> bool:
        """Tell whether a turn would do more than renew; see `Leases.look`."""
        import psycopg

        try:
            return asks_for_more(self._rows(self._open()), request)
        except (psycopg.Error, StoreError) as error:
            raise self._failed(error) from error

    def close(self) -> None:
        """Close the connection."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def _open(self) -> "Connection":
        if self._connection is None or self._connection.closed:
            connection = connect(self._url, password_file=self._password_file)
            connection.execute(f"SET statement_timeout = {self._answer_within_ms}")
            connection.execute(f"SET idle_in_transaction_session_timeout = {self._answer_within_ms}")
            with connection.transaction():
                connection.execute("SELECT pg_advisory_xact_lock(%s, 0)", (_LOCK,))
                found = connection.execute(
                    "SELECT to_regclass('tankwatch_split.hold') IS NOT NULL"
                ).fetchone()
                if found != (True,):
                    connection.execute(_TABLES)
            self._connection = connection
        return self._connection

    def _rows(self, connection: "Connection") -> Rows:
        leases = connection.execute(
            "SELECT name, run, since_s, until_s FROM tankwatch_split.lease WHERE room = %s", (self._room,)
        ).fetchall()
        holds = connection.execute(
            "SELECT tank, holder, run, token, before, since_s FROM tankwatch_split.hold WHERE room = %s",
            (self._room,),
        ).fetchall()
        now = connection.execute(f"SELECT {self._now_sql}").fetchone()
        return Rows(
            float(now[0]) if now else 0.0,
            {row[0]: Lease(*row) for row in leases},
            {row[0]: Hold(*row) for row in holds},
        )

    def _failed(self, error: Exception) -> LeasesError:
        self.close()
        return LeasesError((str(error).strip() or type(error).__name__).splitlines()[0])
