"""Migrations are whole or not at all, and are done again after an interruption."""

import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from sqlite_utils import Database

from tankwatch.errors import StoreError
from tankwatch.reading import Channel
from tankwatch.store import schema
from tankwatch.store.reader import StoreReader

TABLES = {
    *(
        "series",
        "reading",
        "block",
        "block_values",
        "stamps",
        "rollup",
        "dropped",
        "step",
        "mark",
        "log",
        "run",
    ),
    *("memory", "outbox", "fresh", "sheet", "sheet_data", "_sqlite_migrations"),
}
ALL = ["0001_first_tables", "0002_outbox_and_shelves", "0003_blocks_and_rollups", "0004_fresh_readings"]


def tables(path: Path) -> set[str]:
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
        return {name for (name,) in rows}


def migrate(path: Path) -> list[str]:
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        schema.refuse_unknown(connection, path)
        return schema.migrate(connection)


def test_the_first_start_makes_the_tables_and_the_second_changes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "room.db"
    assert migrate(path) == ALL
    assert tables(path) == TABLES
    before = path.read_bytes()
    assert migrate(path) == []
    assert path.read_bytes() == before
    with closing(sqlite3.connect(path)) as connection:
        (plan,) = connection.execute("SELECT sql FROM sqlite_master WHERE name = 'reading'").fetchone()
        assert plan.endswith("WITHOUT ROWID")
        applied = [m.name for m in schema.migrations().applied(Database(connection))]
    assert len(applied) == schema.SCHEMA_VERSION


def test_a_migration_that_fails_leaves_no_trace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "room.db"
    with monkeypatch.context() as patch:
        patch.setattr(schema, "_FIRST_TABLES", schema._FIRST_TABLES + "CREATE TABLE series (again);")
        with pytest.raises(sqlite3.OperationalError, match="already exists"):
            migrate(path)
    assert tables(path) == {"_sqlite_migrations"}
    assert migrate(path) == ALL
    assert tables(path) == TABLES


KILLED_IN_THE_MIDDLE = """
import os, sqlite3, sys
from tankwatch.store import schema
connection = sqlite3.connect(sys.argv[1], isolation_level=None)
connection.execute("PRAGMA journal_mode = WAL")
def kill(statement):
    if statement.startswith(sys.argv[2]):
        os.kill(os.getpid(), 9)
connection.set_trace_callback(kill)
schema.migrate(connection)
"""


@pytest.mark.parametrize(
    "moment",
    ["CREATE TABLE series", "CREATE TABLE memory", "PRAGMA user_version = 1", "INSERT INTO", "COMMIT"],
)
def test_a_migration_cut_short_at_any_point_is_done_again(moment: str, tmp_path: Path) -> None:
    path = tmp_path / "room.db"
    killed = subprocess.run(
        [sys.executable, "-c", KILLED_IN_THE_MIDDLE, str(path), moment], check=False, env=os.environ
    )
    assert killed.returncode == -9
    assert "reading" not in tables(path)
    assert migrate(path) == ALL
    assert tables(path) == TABLES


@pytest.mark.parametrize(
    "moment", ["CREATE TABLE fresh", "CREATE TABLE sheet_data", "PRAGMA user_version = 4"]
)
def test_a_store_of_the_third_schema_keeps_its_rows_through_an_interrupted_migration(
    moment: str, tmp_path: Path
) -> None:
    path = tmp_path / "room.db"
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        db = Database(connection, execute_plugins=False)
        schema.migrations().apply(db, stop_before="0004_fresh_readings")
        assert connection.execute("PRAGMA user_version").fetchone() == (3,)
        connection.execute("INSERT INTO series (series_id, tank, channel) VALUES (1, 't01', 'temperature')")
        rows = [(1, 1_790_000_000_000 + 1000 * n, 25.0 + n % 10 / 10) for n in range(5000)]
        connection.execute("BEGIN")
        connection.executemany("INSERT INTO reading VALUES (?, ?, ?)", rows)
        connection.execute("COMMIT")
    killed = subprocess.run(
        [sys.executable, "-c", KILLED_IN_THE_MIDDLE, str(path), moment], check=False, env=os.environ
    )
    assert killed.returncode == -9
    assert "fresh" not in tables(path)
    assert migrate(path) == ["0004_fresh_readings"]
    assert tables(path) == TABLES
    series = StoreReader(path).series("t01", Channel.TEMPERATURE, 0, 1e10)
    assert series.time_s.tolist() == [time_ms / 1000 for _, time_ms, _ in rows]
    assert series.mean.tolist() == [value for _, _, value in rows]


def test_newer_and_foreign_files_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "room.db"
    migrate(path)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA user_version = 99")
    with pytest.raises(StoreError, match="schema 99"):
        migrate(path)
    other = tmp_path / "other.db"
    with closing(sqlite3.connect(other)) as connection:
        connection.execute("CREATE TABLE reading (x)")
    with pytest.raises(StoreError, match="another program"):
        migrate(other)
