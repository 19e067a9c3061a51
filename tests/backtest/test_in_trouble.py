"""What a back-test says when files, rooms or workers are not as they should be."""

import os
import signal
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from backtest_data import T0_S, RoomFiles, Rooms, command, falling, two_rooms
from pyarrow import parquet

from tankwatch.backtest.run import judge_rooms
from tankwatch.backtest.task import RecordedRoom, RoomTask, judge_room
from tankwatch.config import load
from tankwatch.errors import BacktestError, StoreError, UsageError
from tankwatch.reading import Channel, Reading
from tankwatch.store.bulk import write_history
from tankwatch.transfer.stored_rows import Row


@pytest.fixture(scope="module")
def rooms(tmp_path_factory: pytest.TempPathFactory) -> Rooms:
    return two_rooms(tmp_path_factory.mktemp("rooms"))


def task(room: RoomFiles, *files: Path) -> RoomTask:
    return RoomTask(load(room.config), RecordedRoom(parquet=files), True)


@pytest.mark.parametrize(
    ("damage", "word"),
    [
        (lambda data: data[: len(data) // 2], "no Parquet file"),
        (lambda data: data[:4] + b"\x55" * 2000 + data[2004:], "no Parquet file"),
        (lambda data: b"not a table at all", "no Parquet file"),
        (lambda data: b"", "no Parquet file"),
    ],
)
def test_a_damaged_file_is_named(
    rooms: Rooms, tmp_path: Path, damage: Callable[[bytes], bytes], word: str
) -> None:
    bad = tmp_path / "bad.parquet"
    bad.write_bytes(damage(rooms[0].parquet.read_bytes()))
    with pytest.raises(UsageError, match=word) as told:
        judge_room(task(rooms[0], bad))
    assert str(bad) in str(told.value)
    assert "Export it again" in str(told.value)


def test_a_damaged_file_ends_all_processes_and_the_command_with_2(rooms: Rooms, tmp_path: Path) -> None:
    bad = tmp_path / "bad.parquet"
    bad.write_bytes(b"PAR1 and nothing more")
    done = command(rooms[0].config, rooms[0].parquet, "--room", rooms[1].config, bad, "--jobs", "2", "--json")
    assert done.returncode == 2
    assert done.stdout == ""
    assert str(bad) in done.stderr
    assert "Traceback" not in done.stderr


def table(path: Path, **columns: object) -> Path:
    parquet.write_table(pa.table(columns), path)
    return path


def times(*seconds: float) -> pa.Array:
    return pa.array([round((T0_S + s) * 1e6) for s in seconds], pa.timestamp("us", tz="UTC"))


def test_a_foreign_table_is_refused_with_what_was_expected(rooms: Rooms, tmp_path: Path) -> None:
    other = table(tmp_path / "other.parquet", when=times(0.0), fish=["t01"])
    with pytest.raises(UsageError, match="expected the columns time_utc and tank"):
        judge_room(task(rooms[0], other))
    local = pa.array([0], pa.timestamp("us"))
    naive = table(tmp_path / "naive.parquet", time_utc=local, tank=["t01"])
    with pytest.raises(UsageError, match="time zone"):
        judge_room(task(rooms[0], naive))
    back = table(
        tmp_path / "back.parquet", time_utc=times(60.0, 0.0), tank=["t01", "t01"], air_c=[20.0, 20.0]
    )
    with pytest.raises(UsageError, match="not in order of time"):
        judge_room(task(rooms[0], back))


def test_single_values_that_cannot_be_judged_are_counted_and_left_out(rooms: Rooms, tmp_path: Path) -> None:
    odd = table(
        tmp_path / "odd.parquet",
        time_utc=times(-T0_S + 10.0, 0.0, 60.0, 120.0, 180.0),
        tank=pa.array(["t01", "t01", None, "t09", "t01"]),
        temperature_c=[25.0, np.nan, 25.0, 25.0, 25.0],
        service=[None, "juggling", None, None, "work"],
    )
    result = judge_room(task(rooms[0], odd))
    assert result.readings == 3
    assert result.unknown == {"t09": 1}
    assert dict(result.refused) == {
        "temperature_c: no finite number": 1,
        "unknown service word 'juggling'": 1,
        "no time or no tank": 1,
        "time before 1978, of a board without a clock": 1,
    }


def test_an_empty_table_and_an_empty_stretch_give_nothing(rooms: Rooms, tmp_path: Path) -> None:
    empty = table(
        tmp_path / "empty.parquet",
        time_utc=pa.array([], pa.timestamp("us", tz="UTC")),
        tank=pa.array([], pa.string()),
    )
    assert judge_room(task(rooms[0], empty)).readings == 0
    late = RecordedRoom(store=rooms[0].store, from_s=T0_S + 1e7)
    assert judge_room(RoomTask(load(rooms[0].config), late, True)).readings == 0


def test_a_file_that_is_no_store_is_named(rooms: Rooms, tmp_path: Path) -> None:
    bad = tmp_path / "bad.db"
    bad.write_bytes(b"SQLite format 3\x00" + b"\x11" * 5000)
    with pytest.raises(StoreError, match=r"bad\.db"):
        judge_room(RoomTask(load(rooms[0].config), RecordedRoom(store=bad), True))


def test_a_damaged_stretch_of_a_store_is_left_out_and_told(tmp_path: Path) -> None:
    room = falling(tmp_path)
    room.store.unlink()
    readings = [Reading("t02", Channel.TEMPERATURE, T0_S + 60.0 * n, 25.0 + n % 7 / 10) for n in range(9000)]
    write_history(room.store, readings, sealed=True)
    with closing(sqlite3.connect(room.store)) as connection, connection:
        connection.execute(
            "UPDATE block_values SET data = cast(substr(data, 1, 20) || x'00ff' || substr(data, 23) AS BLOB) "
            "WHERE values_id = (SELECT min(values_id) FROM block_values)"
        )
    result = judge_room(RoomTask(load(room.config), RecordedRoom(store=room.store), True))
    assert list(result.refused) == ["stretch of tank t02, temperature, damaged in the store"]
    assert 0 < result.readings < 9000


def test_a_fault_of_the_watchdog_names_room_tank_and_time(
    rooms: Rooms, monkeypatch: pytest.MonkeyPatch
) -> None:
    from tankwatch.watchdog.watchdog import Watchdog

    def fail(*_: object) -> None:
        raise ZeroDivisionError("invented")

    monkeypatch.setattr(Watchdog, "take", fail)
    with pytest.raises(BacktestError, match=r"North room.*tank t01 of 2026-09-21T00:0.*ZeroDivisionError"):
        judge_room(task(rooms[0], rooms[0].parquet))


def test_a_process_that_is_killed_is_told_and_no_other_is_left(rooms: Rooms) -> None:
    killed: list[int] = []

    def kill_one(share: float) -> None:
        own = Path(f"/proc/{os.getpid()}/task/{os.getpid()}/children").read_text().split()
        workers = [int(pid) for pid in own if b"spawn_main" in Path(f"/proc/{pid}/cmdline").read_bytes()]
        if workers and not killed:
            killed.append(workers[-1])
            os.kill(workers[-1], signal.SIGKILL)

    many = [task(room, room.parquet) for room in (*rooms, *rooms, *rooms)]
    with pytest.raises(BacktestError, match=r"status -9.*smaller --jobs"):
        judge_rooms(many, jobs=2, on_progress=kill_one)
    assert len(killed) == 1


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (("missing.parquet",), "no such file"),
        (("--store", "mysql://127.0.0.1/rooms"), "mysql"),
        (("--store", "missing.db"), "no store"),
        ((), "no readings"),
        (("{senml}", "--from", "2026-09-21"), "judged whole"),
        (("{parquet}", "--from", "2026-09-22", "--to", "2026-09-21"), "ends before it begins"),
        (("{parquet}", "--against", "{config}", "--against", "{config}"), "once for each room"),
        (("{parquet}", "--store"), "takes the place"),
        (("-", "--jobs", "2"), "standard input"),
    ],
)
def test_wrong_usage_says_what_to_do(
    rooms: Rooms, arguments: tuple[str, ...], word: str, capsys: pytest.CaptureFixture[str]
) -> None:
    from tankwatch.cli import run

    room = rooms[0]
    filled = [a.format(senml=room.senml, parquet=room.parquet, config=room.config) for a in arguments]
    assert run(["replay", str(room.config), *filled]) == 2
    assert word in capsys.readouterr().err


def test_a_cluster_that_does_not_answer_is_named(rooms: Rooms, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    monkeypatch.setattr("tankwatch.backtest.cluster._CONNECT_S", 0.2)
    with pytest.raises(UsageError, match=r"no Dask scheduler answers at tcp://127\.0\.0\.1:1"):
        judge_rooms([task(rooms[0], rooms[0].parquet)], cluster="tcp://127.0.0.1:1")


def test_a_folder_without_tables_is_told(
    rooms: Rooms, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from tankwatch.cli import run

    assert run(["replay", str(rooms[0].config), str(tmp_path)]) == 2
    assert "no Parquet file in this folder" in capsys.readouterr().err


def test_memory_stays_bounded_over_a_long_recording(rooms: Rooms, tmp_path: Path) -> None:
    """Never more than a batch of each open file waits, however long the recording is."""
    from tankwatch.backtest import parquet_rows
    from tankwatch.backtest.stretch import TankNames
    from tankwatch.transfer.parquet_file import write_parquet

    def rows() -> "list[Row]":
        return [
            Row(round((T0_S + 10 * n) * 1e6), "t01", {Channel.TEMPERATURE: 25.0 + n % 3})
            for n in range(140_000)
        ]

    long = tmp_path / "long.parquet"
    write_parquet(rows(), long)
    lengths = [
        len(stretch)
        for stretch in parquet_rows.parquet_stretches(
            [long], None, None, TankNames(), lambda share: None, lambda count, reason: None
        )
    ]
    assert sum(lengths) == 140_000
    assert max(lengths) <= 2 * 65_536
