"""A copy made while the store is written is whole, verified, and never takes the place of a good one."""

import argparse
import shutil
import sqlite3
import threading
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace

import pytest

from tankwatch.clock import ManualClock, SystemClock
from tankwatch.errors import StoreError, UsageError
from tankwatch.reading import Channel, Reading
from tankwatch.store.bulk import write_history
from tankwatch.store.entry import LogEntry
from tankwatch.store.opening import locked_for_writing
from tankwatch.store.reader import StoreReader
from tankwatch.store.schema import migrate
from tankwatch.store.writer import StoreWriter
from tankwatch.transfer import backup
from tankwatch.transfer.backup import back_up
from tankwatch.transfer.cli_transfer import run_backup
from tankwatch.transfer.shrink import room_in
from tankwatch.transfer.stored_rows import stored_rows

T0 = 1_790_000_000.0


def readings(first: int, count: int) -> list[Reading]:
    return [Reading("t01", Channel.TEMPERATURE, T0 + n, 25.0) for n in range(first, first + count)]


def test_a_copy_holds_everything_and_stands_alone(tmp_path: Path) -> None:
    path, copy = tmp_path / "room.db", tmp_path / "copy.db"
    write_history(path, readings(0, 5000), log=[LogEntry(T0, "t01", "note", "Ane", "fed")])
    told: list[float] = []
    done = back_up(path, copy, told.append)
    assert (done.rows["reading"], done.rows["log"]) == (5000, 1)
    assert done.size_bytes == copy.stat().st_size
    assert told[-1] == 1.0
    assert sorted(p.name for p in tmp_path.iterdir()) == ["copy.db", "room.db", "room.db.lock"]
    there, here = StoreReader(copy), StoreReader(path)
    assert there.log() == here.log()
    assert there.series("t01", Channel.TEMPERATURE, 0, 1e10).time_s.tolist() == [T0 + n for n in range(5000)]


def test_a_copy_made_while_the_watch_writes_is_of_one_moment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(backup, "_PAGES", 5)  # many small steps, between which the writer commits
    path = tmp_path / "room.db"
    write_history(path, readings(0, 60_000))
    writer = StoreWriter(path, SystemClock(), batch_s=0.005)
    writer.start()
    stop = threading.Event()

    def go_on() -> None:
        first = 60_000
        while not stop.wait(0.002):
            writer.put_readings(readings(first, 50))
            first += 50

    thread = threading.Thread(target=go_on)
    thread.start()
    try:
        done = back_up(path, tmp_path / "copy.db")
    finally:
        stop.set()
        thread.join()
        assert writer.flush(10.0)
        writer.stop(10.0)
    copied = StoreReader(tmp_path / "copy.db").series("t01", Channel.TEMPERATURE, 0, 1e10)
    assert done.rows["reading"] == 60_000
    assert len(copied) >= 60_000
    assert copied.time_s.tolist() == [T0 + n for n in range(len(copied))]
    assert len(StoreReader(path).series("t01", Channel.TEMPERATURE, 0, 1e10)) > len(copied)


def test_an_existing_file_is_never_replaced(tmp_path: Path) -> None:
    write_history(tmp_path / "room.db", readings(0, 10))
    (tmp_path / "copy.db").write_text("a good copy")
    with pytest.raises(UsageError, match="exists: name a new file"):
        back_up(tmp_path / "room.db", tmp_path / "copy.db")
    assert (tmp_path / "copy.db").read_text() == "a good copy"
    with pytest.raises(UsageError, match="is no folder"):
        back_up(tmp_path / "room.db", tmp_path / "absent" / "copy.db")
    with pytest.raises(StoreError, match="There is no store"):
        back_up(tmp_path / "absent.db", tmp_path / "new.db")


def test_a_copy_that_is_not_sound_is_thrown_away(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "room.db"
    write_history(path, readings(0, 20_000))
    whole = backup._verify

    def torn(partial: Path, rows: dict[str, int]) -> None:
        size = partial.stat().st_size
        with partial.open("r+b") as file:
            file.seek(size // 2)
            file.write(bytes(8192))
        whole(partial, rows)

    monkeypatch.setattr(backup, "_verify", torn)
    with pytest.raises(StoreError, match=r"not sound|could not be copied|holds"):
        back_up(path, tmp_path / "copy.db")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["room.db", "room.db.lock"]


def test_a_copy_that_lost_rows_is_thrown_away(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "room.db"
    write_history(path, readings(0, 100))
    whole = backup._verify

    def robbed(partial: Path, rows: dict[str, int]) -> None:
        with closing(sqlite3.connect(partial)) as connection:
            connection.execute("DELETE FROM reading WHERE time_ms % 2000 = 0")
            connection.commit()
        whole(partial, rows)

    monkeypatch.setattr(backup, "_verify", robbed)
    with pytest.raises(StoreError, match="thrown away"):
        back_up(path, tmp_path / "copy.db")
    assert not (tmp_path / "copy.db").exists()


def mixed_store(path: Path) -> None:
    """Make a store with blocks, figures, rows, sheets and batches of two channels."""
    both = [
        reading
        for minute in range(6 * 1440)
        for reading in (
            Reading("t01", Channel.TEMPERATURE, T0 + 60.0 * minute, 25.0 + minute % 37 / 100),
            Reading("t01", Channel.HEATER, T0 + 60.0 * minute, float(minute % 9 < 4)),
        )
    ]
    now_s = T0 + 6 * 86_400.0
    write_history(path, both, clock=ManualClock(wall=now_s), sealed=True)
    writer = StoreWriter(path, ManualClock(wall=now_s), batch_s=3600.0)
    writer.start()
    for second in range(100):
        writer.put_readings(
            [Reading("t01", Channel.TEMPERATURE, now_s + second + late, 24.5) for late in (0, 0.5)]
        )
        assert writer.flush(10.0)
    writer.stop(10.0)


def test_a_copy_of_blocks_sheets_and_rows_reads_the_same_row_by_row(tmp_path: Path) -> None:
    path, copy = tmp_path / "room.db", tmp_path / "copy.db"
    mixed_store(path)
    done = back_up(path, copy)
    assert all(done.rows[table] > 0 for table in ("block", "rollup", "reading", "fresh", "sheet"))
    assert (done.blocks, done.damaged) == (done.rows["block"], ())
    here, there = list(stored_rows(StoreReader(path))), list(stored_rows(StoreReader(copy)))
    assert len(here) == 6 * 1440 + 200
    assert there == here
    for buckets in (7, 192):
        charts = [
            StoreReader(file).series("t01", Channel.TEMPERATURE, T0, T0 + 7 * 86_400, buckets)
            for file in (path, copy)
        ]
        assert charts[0].mean.tolist() == charts[1].mean.tolist()
    on_s = [StoreReader(file).on_time_s("t01", Channel.HEATER, T0 + 10, T0 + 5e5) for file in (path, copy)]
    assert on_s[0] == on_s[1] > 1000.0


def test_a_copy_of_a_damaged_block_is_kept_and_says_what_is_damaged(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "tankwatch.db"
    mixed_store(path)
    with closing(sqlite3.connect(path)) as connection, connection:
        spoil = "SET data = cast(substr(data, 1, 20) || x'00ff' || substr(data, 23) AS BLOB)"
        connection.execute(f"UPDATE block_values {spoil} WHERE values_id = 1")
        connection.execute(f"UPDATE fresh {spoil} WHERE fresh_id = (SELECT max(fresh_id) FROM fresh)")  # noqa: S608
    config = tmp_path / "room.toml"
    config.write_text('[room]\nname = "Back"\n[[tank]]\nid = "t01"\nvolume_l = 90.0\nsetpoint_c = 25.0\n')
    assert run_backup(argparse.Namespace(config=config, file=tmp_path / "copy.db", shrink=False)) == 0
    told = capsys.readouterr().err
    assert "checked and as sound as the store itself" in told
    # T0 is 2026-09-21T14:13:20Z, as `date -u -d @1790000000` says.
    assert "of t01 temperature from 2026-09-21 14:13 to 2026-09-2" in told
    assert "2 reading(s) of several tanks from 2026-09-27 14:14 to 2026-09-27 14:14 UTC" in told
    copied = StoreReader(tmp_path / "copy.db").series("t01", Channel.TEMPERATURE, 0, 1e10)
    assert len(copied.damaged) == 2
    assert (
        copied.time_s.tolist()
        == StoreReader(path).series("t01", Channel.TEMPERATURE, 0, 1e10).time_s.tolist()
    )


def test_a_store_begun_by_an_earlier_version_is_shrunk_once_and_then_by_itself(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "tankwatch.db"
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:  # it never asked for room back
        migrate(connection)
    both = [Reading("t01", Channel.TEMPERATURE, T0 + 20.0 * n, 25.0 + n % 37 / 100) for n in range(60_000)]
    write_history(path, both)
    write_history(path, [], clock=ManualClock(wall=T0 + 60_000 * 20.0 + 1e5), sealed=True)
    before = list(stored_rows(StoreReader(path)))
    assert len(before) == 60_000
    config = tmp_path / "room.toml"
    config.write_text('[room]\nname = "Back"\n[[tank]]\nid = "t01"\nvolume_l = 90.0\nsetpoint_c = 25.0\n')
    assert run_backup(argparse.Namespace(config=config, file=tmp_path / "one.db", shrink=False)) == 0
    assert "stop the watch and make a backup with --shrink once" in capsys.readouterr().err
    size = path.stat().st_size
    again = argparse.Namespace(config=config, file=tmp_path / "two.db", shrink=True)
    with locked_for_writing(path), pytest.raises(StoreError, match="Another watch writes this store"):
        run_backup(again)
    again.file = tmp_path / "three.db"
    with monkeypatch.context() as patch:
        patch.setattr(shutil, "disk_usage", lambda _: SimpleNamespace(free=1_000_000))
        with pytest.raises(UsageError, match="must be free on its disk"):
            run_backup(again)
    assert path.stat().st_size == size
    again.file = tmp_path / "four.db"
    assert run_backup(again) == 0
    assert path.stat().st_size < size / 5
    assert list(stored_rows(StoreReader(path))) == before
    assert room_in(path).shrinks
    capsys.readouterr()
    assert run_backup(argparse.Namespace(config=config, file=tmp_path / "five.db", shrink=False)) == 0
    assert "--shrink" not in capsys.readouterr().err
