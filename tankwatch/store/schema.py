"""The tables, and the migrations that lead to them.

Each migration and the note that it was applied are committed together, so an interrupted one leaves no
trace and is done again at the next start. `PRAGMA user_version` holds the number of migrations applied:
readers compare it without loading the migration machinery.

    series    one channel of one tank
    fresh     what was just written, a batch of all series in a row
    sheet     fresh readings in the order of series, some thousand in a row of sheet_data
    reading   one row a value, clustered by series and time: histories written at once, until they are sealed
    block     old readings, sealed some thousand at a time, with block_values and stamps (their times)
    rollup    lowest, highest, sum, count and time on of each hour and day of sealed readings
    dropped   what was given up for want of room or by age
    step      every change of state of every alarm
    mark      service marks
    log       the care log
    run       when a watch ran: between two runs nobody watched
    memory    what the watchdog learned, JSON by key
    outbox    messages for people, until each was taken by its way, and for some time after
"""

import sqlite3
from typing import TYPE_CHECKING

from tankwatch.errors import StoreError

if TYPE_CHECKING:
    from sqlite_utils import Database, Migrations

APPLICATION_ID = 0x7477_6368
"""Written in the header of the file, so that another program's file is never taken for a store."""

SCHEMA_VERSION = 4
"""Number of migrations that this program knows."""

_MIGRATION_SET = "tankwatch"

_FIRST_TABLES = f"""
PRAGMA application_id = {APPLICATION_ID};
CREATE TABLE series (
    series_id INTEGER PRIMARY KEY,
    tank TEXT NOT NULL,
    channel TEXT NOT NULL,
    UNIQUE (tank, channel)
);
CREATE TABLE reading (
    series_id INTEGER NOT NULL,
    time_ms INTEGER NOT NULL,
    value REAL NOT NULL,
    PRIMARY KEY (series_id, time_ms)
) WITHOUT ROWID;
CREATE TABLE step (
    step_id INTEGER PRIMARY KEY,
    time_s REAL NOT NULL,
    alarm_id INTEGER NOT NULL,
    tank TEXT,
    condition TEXT NOT NULL,
    subject TEXT,
    priority TEXT NOT NULL,
    from_state TEXT NOT NULL,
    state TEXT NOT NULL,
    since_s REAL NOT NULL,
    changed_s REAL NOT NULL,
    message TEXT NOT NULL,
    value REAL,
    margin_min REAL,
    evidence TEXT NOT NULL,
    alarm_who TEXT,
    who TEXT,
    why TEXT
);
CREATE INDEX step_by_time ON step (time_s);
CREATE INDEX step_by_alarm ON step (alarm_id);
CREATE TABLE mark (
    mark_id INTEGER PRIMARY KEY,
    tank TEXT NOT NULL,
    time_s REAL NOT NULL,
    mark TEXT NOT NULL,
    who TEXT NOT NULL,
    UNIQUE (tank, time_s, mark)
);
CREATE INDEX mark_by_time ON mark (time_s);
CREATE TABLE log (
    log_id INTEGER PRIMARY KEY,
    time_s REAL NOT NULL,
    tank TEXT,
    kind TEXT NOT NULL,
    who TEXT NOT NULL,
    text TEXT NOT NULL,
    data TEXT NOT NULL,
    photos TEXT NOT NULL
);
CREATE INDEX log_by_time ON log (time_s);
CREATE TABLE run (
    run_id INTEGER PRIMARY KEY,
    start_s REAL NOT NULL,
    end_s REAL NOT NULL,
    boot_id TEXT NOT NULL,
    clean INTEGER NOT NULL
);
CREATE TABLE memory (
    key TEXT PRIMARY KEY,
    value TEXT NOT NULL,
    time_s REAL NOT NULL
) WITHOUT ROWID;
"""

_OUTBOX_AND_SHELVES = """
ALTER TABLE step ADD COLUMN holds INTEGER;
ALTER TABLE step ADD COLUMN until_s REAL;
CREATE TABLE outbox (
    message_id TEXT NOT NULL,
    way TEXT NOT NULL,
    person TEXT NOT NULL,
    made_s REAL NOT NULL,
    kind TEXT NOT NULL,
    priority TEXT NOT NULL,
    content TEXT NOT NULL,
    state TEXT NOT NULL,
    attempts INTEGER NOT NULL,
    settled_s REAL,
    detail TEXT NOT NULL,
    PRIMARY KEY (message_id, way)
) WITHOUT ROWID;
CREATE INDEX outbox_by_state ON outbox (state);
"""

_BLOCKS_AND_ROLLUPS = """
ALTER TABLE series ADD COLUMN readings_from_h INTEGER;
ALTER TABLE series ADD COLUMN hours_from_h INTEGER;
CREATE TABLE block (
    series_id INTEGER NOT NULL,
    begin_h INTEGER NOT NULL,
    end_h INTEGER NOT NULL,
    first_ms INTEGER NOT NULL,
    last_ms INTEGER NOT NULL,
    count INTEGER NOT NULL,
    low REAL NOT NULL,
    high REAL NOT NULL,
    total REAL,
    last_value REAL NOT NULL,
    bytes INTEGER NOT NULL,
    stamps_id INTEGER NOT NULL,
    values_id INTEGER NOT NULL,
    PRIMARY KEY (series_id, begin_h)
) WITHOUT ROWID;
CREATE INDEX block_by_stamps ON block (stamps_id);
CREATE TABLE block_values (
    values_id INTEGER PRIMARY KEY,
    data BLOB NOT NULL
);
CREATE TABLE stamps (
    stamps_id INTEGER PRIMARY KEY,
    digest INTEGER NOT NULL,
    data BLOB NOT NULL
);
CREATE INDEX stamps_by_digest ON stamps (digest);
CREATE TABLE rollup (
    series_id INTEGER NOT NULL,
    step INTEGER NOT NULL,
    cell INTEGER NOT NULL,
    low REAL NOT NULL,
    high REAL NOT NULL,
    total REAL,
    count INTEGER NOT NULL,
    on_ms INTEGER,
    PRIMARY KEY (series_id, step, cell)
) WITHOUT ROWID;
CREATE TABLE dropped (
    day INTEGER NOT NULL,
    what TEXT NOT NULL,
    why TEXT NOT NULL,
    count INTEGER NOT NULL,
    from_ms INTEGER NOT NULL,
    to_ms INTEGER NOT NULL,
    time_s REAL NOT NULL,
    PRIMARY KEY (day, what, why)
) WITHOUT ROWID;
"""

_FRESH_READINGS = """
CREATE TABLE fresh (
    fresh_id INTEGER PRIMARY KEY,
    written_ms INTEGER NOT NULL,
    first_series INTEGER NOT NULL,
    last_series INTEGER NOT NULL,
    first_ms INTEGER NOT NULL,
    last_ms INTEGER NOT NULL,
    count INTEGER NOT NULL,
    data BLOB NOT NULL
);
CREATE TABLE sheet (
    sheet_id INTEGER PRIMARY KEY,
    level INTEGER NOT NULL,
    run INTEGER NOT NULL,
    written_ms INTEGER NOT NULL,
    first_series INTEGER NOT NULL,
    last_series INTEGER NOT NULL,
    first_ms INTEGER NOT NULL,
    last_ms INTEGER NOT NULL,
    count INTEGER NOT NULL
);
CREATE TABLE sheet_data (
    sheet_id INTEGER PRIMARY KEY,
    data BLOB NOT NULL
);
"""


def _run_statements(db: "Database", version: int, script: str) -> None:
    """Run each statement inside the transaction that is open (`executescript` would commit it)."""
    for statement in script.split(";"):
        if statement.strip():
            db.conn.execute(statement.strip())
    db.conn.execute(f"PRAGMA user_version = {version}")


def migrations() -> "Migrations":
    """Return the migrations in their order; sqlite-utils is loaded only where a store is written."""
    from sqlite_utils import Migrations

    known = Migrations(_MIGRATION_SET)

    @known(name="0001_first_tables")
    def first_tables(db: "Database") -> None:
        _run_statements(db, 1, _FIRST_TABLES)

    @known(name="0002_outbox_and_shelves")
    def outbox_and_shelves(db: "Database") -> None:
        _run_statements(db, 2, _OUTBOX_AND_SHELVES)

    @known(name="0003_blocks_and_rollups")
    def blocks_and_rollups(db: "Database") -> None:
        _run_statements(db, 3, _BLOCKS_AND_ROLLUPS)

    @known(name="0004_fresh_readings")
    def fresh_readings(db: "Database") -> None:
        _run_statements(db, 4, _FRESH_READINGS)

    return known


def refuse_unknown(connection: sqlite3.Connection, path: object) -> None:
    """Refuse a file that this program must not touch; an empty file passes.

    Raises:
        StoreError: the file belongs to another program, or to a newer tankwatch.
    """
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    (application_id,) = connection.execute("PRAGMA application_id").fetchone()
    if application_id != APPLICATION_ID and tables and not _only_migration_note(connection):
        raise StoreError(
            f"{path} is an SQLite file of another program: it is left as it is. "
            "Name another file as [store] path."
        )
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if version > SCHEMA_VERSION:
        raise StoreError(
            f"{path} was written by a newer tankwatch (schema {version}, this one knows {SCHEMA_VERSION}): "
            "update tankwatch, or name another file as [store] path."
        )


def migrate(connection: sqlite3.Connection) -> list[str]:
    """Bring the tables up to date; return the names of the migrations applied now.

    `connection` is in SQLite's own autocommit mode (`isolation_level=None`).
    """
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if version == SCHEMA_VERSION:
        return []
    from sqlite_utils import Database

    # Plugins that happen to be installed have no business in the store.
    db = Database(connection, execute_plugins=False)
    known = migrations()
    names = [pending.name for pending in known.pending(db)]
    known.apply(db)
    return names


def _only_migration_note(connection: sqlite3.Connection) -> bool:
    """Tell whether nothing but the (still empty) list of migrations exists: a first start cut short."""
    names = {name for (name,) in connection.execute("SELECT tbl_name FROM sqlite_master")}
    return names <= {"_sqlite_migrations"}
