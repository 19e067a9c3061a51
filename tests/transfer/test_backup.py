"""A copy made while the store is written is whole, verified, and never takes the place of a good one."""

import sqlite3
import threading
from contextlib import closing
from pathlib import Path

import pytest

from tankwatch.clock import SystemClock
from tankwatch.errors import StoreError, UsageError
from tankwatch.reading import Channel, Reading
from tankwatch.store.bulk import write_history
from tankwatch.store.entry import LogEntry
from tankwatch.store.reader import StoreReader
from tankwatch.store.writer import StoreWriter
from tankwatch.transfer import backup
from tankwatch.transfer.backup import back_up

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
    assert len(copied) == done.rows["reading"] >= 60_000
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
