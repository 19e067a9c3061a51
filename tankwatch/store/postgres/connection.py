"""Connecting to PostgreSQL; a password is never part of the address.

The password comes from where libpq looks for it: the file that PGPASSFILE or `passfile=` names, `~/.pgpass`,
or a service file. An address with a password would be seen in the list of processes and in logs.
"""

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tankwatch.errors import StoreError

if TYPE_CHECKING:
    import psycopg

CONNECT_TIMEOUT_S = 10
ANSWER_WITHIN_MS = 60_000
"""What was sent and not acknowledged for so long means that the link is dead."""


def connect(
    url: str, *, read_only: bool = False, password_file: Path | None = None
) -> "psycopg.Connection[tuple[Any, ...]]":
    """Open a connection in which the tables of tankwatch are found first.

    Raises:
        StoreError: the address holds a password, the password file may be read by others, the driver is
            not installed, or the server cannot be reached.
    """
    try:
        import psycopg
        from psycopg.conninfo import conninfo_to_dict, make_conninfo
    except ImportError as error:
        raise StoreError(
            "A PostgreSQL store needs the driver: install tankwatch[postgres] and try again."
        ) from error
    try:
        known = conninfo_to_dict(url, **({"passfile": str(password_file)} if password_file else {}))
    except psycopg.Error as error:
        raise StoreError("The address of the PostgreSQL store is not one: see its form in README.") from error
    if known.get("password"):
        raise StoreError(
            "The address of the PostgreSQL store holds a password, which others could see: put it in a "
            "password file (mode 600) and name that file in PGPASSFILE."
        )
    _check_mode(known.get("passfile") or os.environ.get("PGPASSFILE"))
    try:
        known = {"connect_timeout": CONNECT_TIMEOUT_S, "tcp_user_timeout": ANSWER_WITHIN_MS, **known}
        connection = psycopg.connect(make_conninfo("", **known), autocommit=True)
        connection.execute("SET search_path = tankwatch, pg_temp")
        connection.execute("SET TIME ZONE 'UTC'")
        if read_only:
            connection.execute("SET default_transaction_read_only = on")
    except psycopg.Error as error:
        raise StoreError(
            f"The PostgreSQL store {_shown(known)} cannot be reached: {_first_line(error)}. "
            "See whether the server runs and lets this user in."
        ) from error
    return connection


@contextmanager
def told(what: str) -> Iterator[None]:
    """Turn the driver's errors in the block into StoreError; `what` failed."""
    import psycopg

    try:
        yield
    except psycopg.Error as error:
        raise StoreError(
            f"The PostgreSQL store {what}: {_first_line(error)}. See whether the server runs, whether its "
            "disk has room, and whether this user has the rights of its role."
        ) from error


def _check_mode(name: object) -> None:
    """Refuse a password file that others may read; libpq would leave it unread and say so only on stderr."""
    if not name:
        return
    try:
        mode = Path(str(name)).expanduser().stat().st_mode
    except OSError:
        return  # libpq goes on without it: the server then says whether a password was needed
    if stat.S_ISREG(mode) and mode & 0o077:
        raise StoreError(f"The password file {name} may be read by others: chmod 600 it.")


def _shown(known: dict[str, Any]) -> str:
    return f"{known.get('dbname', '')} on {known.get('host', 'this machine')}:{known.get('port', 5432)}"


def _first_line(error: Exception) -> str:
    return (str(error).strip() or type(error).__name__).splitlines()[0].rstrip(".")
