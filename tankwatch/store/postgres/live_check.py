"""A live look at the central store of `[forward]`: can it be reached, whose version, how far it is."""

from typing import TYPE_CHECKING, Any

from tankwatch.config import Config
from tankwatch.config_forward import ForwardConfig
from tankwatch.errors import StoreError
from tankwatch.store.postgres.connection import connect, told
from tankwatch.store.postgres.reader import PostgresReader
from tankwatch.store.postgres.schema import MIGRATIONS
from tankwatch.store.reader import StoreReader
from tankwatch.tried import Tried

if TYPE_CHECKING:
    import psycopg


def try_central(config: Config) -> list[Tried]:
    """Connect to the central store that `config` names, if it names one, changing nothing there."""
    return [] if config.forward is None else [_try(config, config.forward)]


def _try(config: Config, forward: ForwardConfig) -> Tried:
    try:
        user, names = _tables(forward)
        if names is None:
            detail = f"there are no tables yet; `tankwatch central {forward.url}` makes them"
            return Tried("[forward]", True, f"connected as {user}; {detail}")
        if names - set(MIGRATIONS):
            detail = "its tables are of a newer tankwatch"
            return Tried("[forward]", False, f"connected as {user}; {detail}")
        reader = PostgresReader(forward.url, config.room.slug, forward.password_file)
        return Tried("[forward]", True, f"connected as {user}; {_lag(config, reader)}")
    except StoreError as error:
        return Tried("[forward]", False, str(error))


def _tables(forward: ForwardConfig) -> tuple[str, set[str] | None]:
    """Return the user and the migrations that the tables there have had; None: there are no tables."""
    with connect(forward.url, read_only=True, password_file=forward.password_file) as connection:
        return _tables_of(connection)


def _tables_of(connection: "psycopg.Connection[tuple[Any, ...]]") -> tuple[str, set[str] | None]:
    with told("cannot be read"):
        ((user, has_tables),) = connection.execute(
            "SELECT current_user::text, to_regclass('tankwatch.migration') IS NOT NULL"
        ).fetchall()
        if not has_tables:
            return user, None
        return user, {name for (name,) in connection.execute("SELECT name FROM migration").fetchall()}


def _lag(config: Config, central: PostgresReader) -> str:
    there = central.span()
    if there is None:
        return f"nothing of room {config.room.slug} is there yet"
    try:
        here = StoreReader(config.store.path).span()
    except StoreError:
        here = None
    if here is None:
        return f"room {config.room.slug} is there"
    behind_s = max(0.0, here[1] - there[1])
    return f"room {config.room.slug} is there, its newest reading {behind_s:.0f} s behind the store here"
