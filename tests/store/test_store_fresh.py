"""Fresh readings: batches, sheets and what becomes of them, through kills and damage; all invented."""

import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from unittest.mock import patch

import pytest
from store_data import T0, ask, heater, step, stored_readings, temperature, wait_until

from tankwatch.clock import ManualClock
from tankwatch.errors import StoreError
from tankwatch.reading import Channel, Reading
from tankwatch.store import codec, rows, sheets
from tankwatch.store.block import HOUR_MS
from tankwatch.store.bulk import write_history
from tankwatch.store.ends import newest_readings
from tankwatch.store.intake import take_in
from tankwatch.store.keeping import Keeping
from tankwatch.store.opening import open_store
from tankwatch.store.reader import StoreReader
from tankwatch.store.writer import StoreWriter

TANKS = [f"t{number:02}" for number in range(1, 7)]
MINUTES = 135
HOUR_S = 3600.0


def minute_of_all(minute: int) -> list[Reading]:
    """Return what all tanks say in one minute: a temperature and a heater every 20 s."""
    return [
        reading
        for second in (0, 20, 40)
        for number, tank in enumerate(TANKS)
        for reading in (
            temperature(60 * minute + second + number / 8, 25.0 + (minute + number) % 40 / 100, tank),
            heater(60 * minute + second + number / 8, float((minute + number) % 7 < 3), tank),
        )
    ]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "room.db"


WRITE_FOLD_AND_SEAL_UNTIL_KILLED = """
import os, sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
import test_store_fresh as fresh
fresh.write_fold_and_seal(Path(sys.argv[2]), sys.argv[3], int(sys.argv[4]))
"""


def write_fold_and_seal(path: Path, moment: str = "", at_its: int = 0) -> None:
    """Write two hours in batches of a minute, folding and sealing as a watch does; killed in a statement."""
    count = 0

    def kill(statement: str) -> None:
        nonlocal count
        count += statement.startswith(moment)
        if count == at_its:
            os.kill(os.getpid(), 9)

    with (
        closing(open_store(path, ManualClock(), busy_s=1.0).connection) as connection,
        patch.multiple(sheets, SHEET_READINGS=300, SERIES_AT_ONCE=4),
    ):
        connection.execute("PRAGMA synchronous = OFF")
        if moment:
            connection.set_trace_callback(kill)
        ids = rows.SeriesIds(connection)
        for minute in range(MINUTES):
            now_ms = round((T0 + 60 * minute) * 1000)
            connection.execute("BEGIN IMMEDIATE")
            table_rows, _ = rows.reading_rows(minute_of_all(minute), ids)
            take_in(connection, table_rows, ids, now_ms)
            connection.execute("COMMIT")
            if (fold := sheets.fold_due(connection)) is not None:
                connection.execute("BEGIN IMMEDIATE")
                fold(connection)
                connection.execute("COMMIT")
        now_ms = (round(T0 * 1000) // HOUR_MS + 3) * HOUR_MS
        sealed = True
        while sealed:
            connection.execute("BEGIN IMMEDIATE")
            sealed = sheets.begin_sealing(connection, now_ms, now_ms, now_ms)
            if sealed:
                sheets.seal_sheets(connection, now_ms - HOUR_MS)
            connection.execute("COMMIT")


@pytest.mark.parametrize(
    ("moment", "at_its"),
    [
        ("INSERT INTO fresh", 100),
        ("INSERT INTO sheet (", 3),
        ("DELETE FROM fresh", 2),
        ("UPDATE sheet SET level", 1),
        ("INSERT INTO block (", 7),
        ("INSERT OR REPLACE INTO rollup", 20),
        ("UPDATE sheet SET first_series", 2),
        ("DELETE FROM sheet WHERE", 2),
        ("COMMIT", 67),
        ("COMMIT", 139),
    ],
)
def test_a_kill_at_any_point_loses_and_doubles_nothing(moment: str, at_its: int, path: Path) -> None:
    killed = subprocess.run(
        [
            *(sys.executable, "-c", WRITE_FOLD_AND_SEAL_UNTIL_KILLED),
            *(str(Path(__file__).parent), str(path), moment, str(at_its)),
        ],
        check=False,
        env=os.environ,
    )
    assert killed.returncode == -9
    reader = StoreReader(path)
    minutes = round(((reader.span() or (0.0, 0.0))[1] - T0 - 5 / 8 - 40) / 60) + 1
    assert minutes > 60
    # Written and killed again from the start: what is there already is there once.
    for _ in range(2):
        for tank in (TANKS[0], TANKS[-1]):
            expected = [r for minute in range(minutes) for r in minute_of_all(minute) if r.tank == tank]
            for channel in (Channel.TEMPERATURE, Channel.HEATER):
                own = [r for r in expected if r.channel is channel]
                series = reader.series(tank, channel, T0 - 1, T0 + 1e6)
                assert series.time_s.tolist() == [r.time_s for r in own]
                assert series.mean.tolist() == [r.value for r in own]
        assert stored_readings(path) == minutes * 3 * 2 * len(TANKS)
        write_fold_and_seal(path)
        minutes = MINUTES
    assert ask(path, "SELECT count(*) FROM block")[0][0] >= 2 * len(TANKS)
    assert ask(path, "PRAGMA integrity_check") == [("ok",)]


def test_a_batch_of_many_series_takes_few_pages_and_one_series_few_rows(path: Path) -> None:
    with closing(open_store(path, ManualClock(), busy_s=1.0).connection) as connection:
        ids = rows.SeriesIds(connection)
        wal = path.with_name(path.name + "-wal")
        grown = []
        for second in range(0, 3000, 10):
            readings = [temperature(second + n / 300, 25.0 + n % 50 / 100, f"t{n:03}") for n in range(300)]
            connection.execute("BEGIN")
            table_rows, _ = rows.reading_rows(readings, ids)
            before = wal.stat().st_size
            take_in(connection, table_rows, ids, round(1000 * (T0 + second)))
            connection.execute("COMMIT")
            grown.append(wal.stat().st_size - before)
            if (fold := sheets.fold_due(connection)) is not None:
                connection.execute("BEGIN")
                fold(connection)
                connection.execute("COMMIT")
    assert max(grown[1:]) <= 6 * 4120
    batches, in_sheets = ask(path, "SELECT (SELECT count(*) FROM fresh), (SELECT sum(count) FROM sheet)")[0]
    assert batches < sheets.BATCHES
    assert batches * 300 + in_sheets == 300 * 300
    series_id = ask(path, "SELECT max(series_id) / 2 FROM series")[0][0]
    within = f"SELECT count(*) FROM sheet WHERE {series_id} BETWEEN first_series AND last_series"  # noqa: S608
    assert ask(path, within)[0][0] == 4  # one for each run


def test_the_newest_of_each_series_is_found_wherever_it_lies(path: Path) -> None:
    write_fold_and_seal(path)
    with closing(sqlite3.connect(path)) as connection:
        newest = newest_readings(connection)
        assert connection.execute("SELECT count(*) FROM sheet").fetchone()[0] == 0
    assert len(newest) == 2 * len(TANKS)
    last = {(r.tank, r.channel): (r.time_s, r.value) for r in minute_of_all(MINUTES - 1)}
    assert StoreReader(path).last_values() == last


def test_a_clock_set_back_writes_on_and_doubles_nothing(path: Path) -> None:
    with closing(open_store(path, ManualClock(), busy_s=1.0).connection) as connection:
        ids = rows.SeriesIds(connection)
        told: set[int] = set()
        for minute in [*range(100), *range(40, 120)]:  # an hour is told twice, with the same stamps
            connection.execute("BEGIN")
            table_rows, _ = rows.reading_rows(minute_of_all(minute), ids)
            new = take_in(connection, table_rows, ids, round(1000 * (T0 + 60 * minute)))
            assert new == (0 if minute in told else len(table_rows))
            told.add(minute)
            connection.execute("COMMIT")
            if (fold := sheets.fold_due(connection)) is not None:
                fold(connection)
    assert stored_readings(path) == 120 * 3 * 2 * len(TANKS)


def test_a_damaged_batch_or_sheet_hides_nothing_else(path: Path) -> None:
    with closing(open_store(path, ManualClock(), busy_s=1.0).connection) as connection:
        ids = rows.SeriesIds(connection)
        for minute in range(70):
            connection.execute("BEGIN")
            table_rows, _ = rows.reading_rows(minute_of_all(minute), ids)
            take_in(connection, table_rows, ids, round(1000 * (T0 + 60 * minute)))
            connection.execute("COMMIT")
        spoil = "SET data = cast(substr(data, 1, 30) || x'00ff' || substr(data, 33) AS BLOB)"
        connection.execute(f"UPDATE fresh {spoil} WHERE fresh_id = 7")
        assert len(StoreReader(path).series("t01", Channel.TEMPERATURE, T0, T0 + 1e6)) == 69 * 3
        fold = sheets.fold_due(connection)
        assert fold is not None
        connection.execute("BEGIN")
        fold(connection)
        connection.execute("COMMIT")
        assert len(StoreReader(path).series("t01", Channel.TEMPERATURE, T0, T0 + 1e6)) == 69 * 3
        # What was damaged stays, for whoever can save something of it.
        assert connection.execute("SELECT count FROM sheet WHERE level = -1").fetchall() == [(36,)]
        assert sheets.begin_sealing(connection, 1 << 50, 1 << 50, 1 << 50)
        while sheets.seal_sheets(connection, 1 << 50):
            pass
        assert connection.execute("SELECT level, count FROM sheet").fetchall() == [(-1, 36)]
    assert stored_readings(path) == 69 * 3 * 2 * len(TANKS)


def test_without_pcodec_writing_goes_on_and_reading_names_what_is_missing(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("pcodec")
    writer = StoreWriter(path, ManualClock(), batch_s=3600.0)
    for minute in range(0, 280, 2):
        if minute == 160:  # the program was installed anew, without it
            writer.stop(10.0)
            monkeypatch.setattr(codec, "standalone", None)
        writer.start()
        again = minute_of_all(max(0, minute - 1))
        writer.put_readings(minute_of_all(minute) + minute_of_all(minute + 1) + again)
        assert writer.flush(10.0)
    assert writer.health().state == "fine"
    writer.stop(10.0)
    with pytest.raises(StoreError, match=r"pip install 'tankwatch\[compact\]'"):
        StoreReader(path).last_values()
    monkeypatch.undo()
    assert StoreReader(path).last_values() == {
        (r.tank, r.channel): (r.time_s, r.value) for r in minute_of_all(279)
    }
    assert len(StoreReader(path).series("t01", Channel.TEMPERATURE, T0, T0 + 1e6)) == 3 * 280


def test_on_a_disk_nearly_full_old_readings_go_and_fresh_ones_stay(path: Path) -> None:
    day_s = 24 * HOUR_S
    old = [temperature(60.0 * minute - 40 * day_s, 25.0 + minute % 37 / 100) for minute in range(30 * 1440)]
    write_history(path, old, clock=ManualClock(wall=T0), sealed=True)
    clock = ManualClock(wall=T0)
    writer = StoreWriter(path, clock, batch_s=3600.0, keeping=Keeping(min_free_mb=200.0))
    writer.housekeeper._free_bytes = lambda _: 100_000
    writer.start()
    # One of them comes late: it is as old as what is dropped, and is kept until it is sealed.
    fresh = [*minute_of_all(0), temperature(-35 * day_s + 0.5, 19.0)]
    writer.put_readings(fresh)
    writer.put_steps([step()])
    assert writer.flush(10.0)

    def eased() -> bool:
        writer.housekeeper.hurry()
        writer.put_memory("wake", {})
        return ask(path, "SELECT count(*) FROM block") == [(0,)]

    wait_until(eased, 20.0)
    assert "the disk is nearly full" in writer.health().detail
    writer.stop(10.0)
    reader = StoreReader(path)
    assert {note.what for note in reader.dropped()} == {"readings"}
    assert sum(note.count for note in reader.dropped()) == len(old)
    assert len(reader.steps(0, 1e11)) == 1
    assert stored_readings(path) == len(fresh)
    assert reader.series("t01", Channel.TEMPERATURE, T0 - 36 * day_s, T0 - 30 * day_s).mean.tolist() == [19.0]
