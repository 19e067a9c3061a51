"""Whoever judges a recording, and whatever holds it, says the same to the byte as plain replay."""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from backtest_data import T0_S, RoomFiles, Rooms, command, printed, room_files, two_rooms
from conftest import wait_until

from tankwatch.backtest.run import judge_rooms
from tankwatch.backtest.task import RecordedRoom, RoomTask, judge_room
from tankwatch.cli import run
from tankwatch.config import load
from tankwatch.printing import step_as_json
from tankwatch.reading import Channel, Reading
from tankwatch.store.reader import StoreReader
from tankwatch.transfer.parquet_file import write_parquet
from tankwatch.watchdog.replay import replay


@pytest.fixture(scope="module")
def rooms(tmp_path_factory: pytest.TempPathFactory) -> Rooms:
    return two_rooms(tmp_path_factory.mktemp("rooms"))


def plain(room: RoomFiles) -> list[str]:
    with room.senml.open("rb") as lines:
        return [step_as_json(step) for step in replay(load(room.config), lines)]


def judged(room: RoomFiles, recorded: RecordedRoom) -> list[str]:
    result = judge_room(RoomTask(load(room.config), recorded, keep_lines=True))
    assert not result.refused
    return [line for _, line in result.lines]


def test_every_form_of_a_recording_says_what_plain_replay_says(rooms: Rooms) -> None:
    for room in rooms:
        wanted = plain(room)
        assert any('"power-loss"' in line for line in wanted), "the recording must test the whole room"
        assert judged(room, RecordedRoom(store=room.store)) == wanted
        assert judged(room, RecordedRoom(parquet=(room.parquet,))) == wanted
        assert judged(room, RecordedRoom(senml=room.senml)) == wanted


def test_mains_that_go_are_told_from_every_form(tmp_path: Path) -> None:
    readings = []
    for i in range(90):
        readings.append(Reading("t01", Channel.TEMPERATURE, T0_S + 10.0 * i, 25.0))
        readings.append(Reading("t01", Channel.MAINS, T0_S + 10.0 * i, float(not 30 <= i < 60)))
        readings.append(Reading("t01", Channel.POWER, T0_S + 10.0 * i, 0.4))
    room = room_files(tmp_path, "north", readings)
    wanted = plain(room)
    assert [json.loads(line)["alarm"] for line in wanted].count("power-loss") == 2
    assert judged(room, RecordedRoom(store=room.store)) == wanted
    assert judged(room, RecordedRoom(parquet=(room.parquet,))) == wanted
    reader = StoreReader(room.store)
    watts = reader.series("t01", Channel.POWER, T0_S, T0_S + 900.0)
    assert set(watts.mean.tolist()) == {0.4}


def test_files_beside_and_after_each_other_are_put_in_order(rooms: Rooms, tmp_path: Path) -> None:
    room = rooms[0]
    rows = list(room.rows())
    thirds = [rows[: len(rows) // 3], rows[len(rows) // 3 : len(rows) // 2], rows[len(rows) // 2 :]]
    by_time = [tmp_path / f"{number}.parquet" for number in (2, 0, 1)]
    for path, part in zip(by_time, thirds, strict=True):
        write_parquet(part, path)
    by_tank = [tmp_path / f"{tank}.parquet" for tank in ("t03", "t01", "t02")]
    for path in by_tank:
        write_parquet((row for row in rows if row.tank == path.stem), path)
    wanted = plain(room)
    assert judged(room, RecordedRoom(parquet=tuple(by_time))) == wanted
    assert judged(room, RecordedRoom(parquet=tuple(by_tank))) == wanted


def test_small_batches_and_windows_change_nothing(rooms: Rooms, monkeypatch: pytest.MonkeyPatch) -> None:
    room = rooms[0]
    wanted = plain(room)
    monkeypatch.setattr("tankwatch.backtest.parquet_rows._BATCH_ROWS", 97)
    monkeypatch.setattr("tankwatch.backtest.stored._MANY", 900)
    monkeypatch.setattr("tankwatch.backtest.stored._FEW", 100)
    assert judged(room, RecordedRoom(parquet=(room.parquet,))) == wanted
    assert judged(room, RecordedRoom(store=room.store)) == wanted


def test_a_stretch_of_either_form_is_the_same(rooms: Rooms) -> None:
    room = rooms[0]
    rows = list(room.rows())
    from_s, to_s = rows[5000].time_us / 1e6, rows[-300].time_us / 1e6
    of_store = judge_room(
        RoomTask(load(room.config), RecordedRoom(store=room.store, from_s=from_s, to_s=to_s), True)
    )
    of_file = judge_room(
        RoomTask(load(room.config), RecordedRoom(parquet=(room.parquet,), from_s=from_s, to_s=to_s), True)
    )
    inside = [row for row in rows if from_s * 1e6 <= row.time_us <= to_s * 1e6]
    wanted = sum(len(row.values) + (row.mark is not None) for row in inside)
    assert of_store.readings == of_file.readings == wanted
    assert of_store.lines == of_file.lines


def tasks(rooms: Sequence[RoomFiles]) -> list[RoomTask]:
    return [RoomTask(load(room.config), RecordedRoom(store=room.store), True) for room in rooms]


def test_processes_say_what_one_says(rooms: Rooms) -> None:
    three = [*rooms, rooms[0]]
    shares: list[float] = []
    alone = judge_rooms(tasks(three))
    together = judge_rooms(tasks(three), jobs=2, on_progress=shares.append)
    assert together == alone
    assert [line for _, line in alone[0].lines] == plain(rooms[0])
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


def test_two_workers_of_a_cluster_say_what_one_process_says(
    rooms: Rooms, capsys: pytest.CaptureFixture[str]
) -> None:
    if os.environ.get("TANKWATCH_TEST_ALL") == "1":
        import distributed
    else:
        distributed = pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    dask: Any = distributed
    with dask.LocalCluster(
        n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=None
    ) as cluster:
        done: list[str] = []
        results = judge_rooms(
            tasks(rooms),
            cluster=cluster.scheduler_address,
            on_room=lambda result: done.append(result.room),
        )
        address = cluster.scheduler_address
        assert run(["replay", str(rooms[0].config), "--store", "--json", "--cluster", address]) == 0
    assert results == judge_rooms(tasks(rooms))
    assert sorted(done) == ["North room", "South room"]
    assert capsys.readouterr().out.splitlines() == plain(rooms[0])


def test_the_command_prints_what_plain_replay_prints(
    rooms: Rooms, capsys: pytest.CaptureFixture[str]
) -> None:
    room, other = rooms
    wanted = command(room.config, room.senml, "--json")
    assert wanted.returncode == 0
    assert printed(room.config, room.parquet, "--json", capsys=capsys) == wanted.stdout
    assert printed(room.config, "--json", "--store", room.store, capsys=capsys) == wanted.stdout
    both = command(room.config, "--room", other.config, "--store", "--json", "--jobs", "2")
    assert both.returncode == 0
    end = ', "room": "North room"}'
    of_north = [line.removesuffix(end) + "}" for line in both.stdout.splitlines() if line.endswith(end)]
    assert of_north == wanted.stdout.splitlines()
    assert [json.loads(line)["time"] for line in both.stdout.splitlines()] == sorted(
        json.loads(line)["time"] for line in both.stdout.splitlines()
    )
    assert "South room: " in both.stderr


def test_an_interrupt_ends_all_processes_with_130(rooms: Rooms) -> None:
    more = [part for _ in range(6) for part in ("--room", str(rooms[1].config))]
    process = subprocess.Popen(
        [sys.executable, "-m", "tankwatch", "replay", str(rooms[0].config), "--store", "--jobs", "2", *more],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    children = Path(f"/proc/{process.pid}/task/{process.pid}/children")
    wait_until(lambda: len(children.read_text().split()) >= 2, "two processes at work", 20.0)
    at_work = children.read_text().split()
    os.killpg(process.pid, signal.SIGINT)
    out, err = process.communicate(timeout=20)
    assert process.returncode == 130
    assert out == ""
    assert "interrupted" in err
    assert "Traceback" not in err
    wait_until(lambda: not any(Path(f"/proc/{pid}").exists() for pid in at_work), "the end of both")
