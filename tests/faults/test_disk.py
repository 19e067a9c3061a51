"""A disk in trouble below a running watch: it judges from memory, says what is wrong, and catches up.

How the store itself meets such a disk is tested in tests/store/test_store_trouble.py; the whole watch here.
"""

import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from conftest import MosquittoBroker, wait_until
from faulty_disk import FaultyDisk
from rooms import (
    WatchProcess,
    alarm_of,
    is_connected,
    look,
    pack,
    room_text,
    shown,
    watching,
    write_config,
)

from tankwatch.alarms.model import Alarm, AlarmState, Condition
from tankwatch.config import load
from tankwatch.control.protocol import Acknowledge, Note
from tankwatch.errors import NotKeptError, StoreError
from tankwatch.reading import Channel
from tankwatch.store.reader import StoreReader

pytestmark = pytest.mark.usefixtures("own_runtime_folder")


class Bench:
    """A watch on a disk that obeys, and a probe whose packs are numbered."""

    def __init__(self, folder: Path, broker: MosquittoBroker) -> None:
        self.disk = FaultyDisk(folder)
        self.config = write_config(folder, room_text(broker.port))
        self.path = folder / "room.db"
        self.sent = 0
        self._broker = broker
        self._start_s = round(time.time()) - 20_000

    @contextmanager
    def watch(self) -> Iterator[WatchProcess]:
        with WatchProcess(self.config, environment=self.disk.environment) as watch:
            wait_until(lambda: is_connected(watch.client), "the watch at the broker")
            yield watch

    def send(self, count: int, celsius: float, fall_k: float = 0.0) -> None:
        """Have the probe send packs, a minute apart by their stamps, of water that falls `fall_k` each."""
        first = self.sent
        self._broker.publish_many(
            [
                (
                    "fish/t000/state",
                    pack(
                        self._start_s + 60 * n, round(celsius - fall_k * (n - first) + 0.01 * (n % 3), 3), n
                    ),
                )
                for n in range(first, first + count)
            ]
        )
        self.sent += count

    def send_well(self) -> None:
        """Send an hour within the limits."""
        self.send(60, 23.5, 0.005)

    def send_cold(self) -> None:
        """Send the hour after it, in which the water falls below the low limit."""
        self.send(60, 23.2, 0.01)

    def is_shown(self, watch: WatchProcess) -> bool:
        return shown(watch.client, channel="flow") == self.sent - 1

    def stored(self) -> list[float]:
        return [float(n) for n in StoreReader(self.path).series("t000", Channel.FLOW, 0.0, 1e11).mean]


@pytest.fixture
def bench(tmp_path: Path, mosquitto_broker: MosquittoBroker) -> Bench:
    return Bench(tmp_path, mosquitto_broker)


def _longest_gap_s(watch: WatchProcess, seconds: float) -> float:
    """Look for some seconds; return the longest time between two different pictures."""
    end_s = time.monotonic() + seconds
    last_s, last = time.monotonic(), 0.0
    longest_s = 0.0
    while time.monotonic() < end_s:
        picture = look(watch.client)
        now_s = time.monotonic()
        if picture is not None and picture.time_s != last:
            longest_s = max(longest_s, now_s - last_s)
            last_s, last = now_s, picture.time_s
        time.sleep(0.05)
    return max(longest_s, time.monotonic() - last_s)


def _stall(bench: Bench, seconds: float) -> None:
    with bench.watch() as watch:
        bench.send_well()
        wait_until(lambda: bench.is_shown(watch), "the readings")
        bench.disk.order("stall")
        bench.send_cold()
        wait_until(lambda: alarm_of(watch.client, Condition.TOO_COLD) is not None, "the alarm, from memory")
        with pytest.raises(NotKeptError):
            watch.client.request(Note(tank=None, kind="note", text="during the stall", who="Ada"))
        longest_s = _longest_gap_s(watch, seconds)
        assert longest_s < 3.0, "the judge waited for the disk"  # a picture a second, on a busy machine
        assert len(bench.stored()) <= 60
        bench.disk.order("")
        watch.client.request(Note(tank=None, kind="note", text="after it", who="Ada"))
        wait_until(lambda: len(bench.stored()) == bench.sent, "the store to catch up", timeout_s=15.0)
        assert [entry.text for entry in StoreReader(bench.path).log()] == ["during the stall", "after it"]
        watch.stop()
    assert bench.stored() == [float(n) for n in range(bench.sent)]


@pytest.mark.slow
def test_a_disk_that_stalls_for_seven_seconds_again_and_again(bench: Bench) -> None:
    _stall(bench, 7.0)
    with bench.watch() as watch:
        for _ in range(5):
            bench.disk.order("stall")
            bench.send(30, 22.6)
            wait_until(lambda: bench.is_shown(watch), "the readings, from memory")
            assert _longest_gap_s(watch, 7.0) < 3.0
            bench.disk.order("")
            wait_until(lambda: len(bench.stored()) == bench.sent, "the store to catch up", timeout_s=15.0)
        watch.stop()


@pytest.mark.slow
def test_a_disk_that_stalls_for_long_is_told_as_behind(bench: Bench) -> None:
    with bench.watch() as watch:
        bench.disk.order("stall")
        bench.send_well()
        wait_until(lambda: _behind(watch) is not None, "store-behind", timeout_s=45.0)
        alarm = _behind(watch)
        assert alarm is not None
        assert "the disk is slow" in alarm.message
        bench.disk.order("")
        wait_until(lambda: _is_over(watch), "the end of the alarm", timeout_s=15.0)
        watch.stop()
    assert len(bench.stored()) == bench.sent


def _behind(watch: WatchProcess) -> Alarm | None:
    return alarm_of(watch.client, Condition.STORE_BEHIND)


def _is_over(watch: WatchProcess) -> bool:
    alarm = _behind(watch)
    return alarm is None or alarm.state is AlarmState.RETURNED


@pytest.mark.parametrize(
    "order",
    [
        "full",
        pytest.param("readonly", marks=pytest.mark.slow),
        pytest.param("broken", marks=pytest.mark.slow),
    ],
)
def test_a_disk_that_refuses_is_told_and_all_is_written_when_it_takes_again(bench: Bench, order: str) -> None:
    with bench.watch() as watch:
        bench.send_well()
        wait_until(lambda: len(bench.stored()) == 60, "the readings in the store")
        bench.disk.order("stall")
        bench.send_cold()
        wait_until(lambda: alarm_of(watch.client, Condition.TOO_COLD) is not None, "the alarm, from memory")
        assert _longest_gap_s(watch, 1.5) < 3.0, "the judge waited for the disk"
        assert len(bench.stored()) == 60
        bench.disk.order(order)
        wait_until(lambda: _behind(watch) is not None, "store-behind")
        alarm = alarm_of(watch.client, Condition.TOO_COLD)
        assert alarm is not None
        bench.send(60, 22.6)
        wait_until(lambda: bench.is_shown(watch), "readings while the disk refuses")
        bench.disk.order("")
        wait_until(lambda: _is_over(watch), "the end of the alarm", timeout_s=15.0)
        wait_until(lambda: len(bench.stored()) == bench.sent, "the store to catch up")
        watch.client.request(Acknowledge(alarm_id=alarm.alarm_id, who="Ada"))
        watch.stop()
    assert bench.stored() == [float(n) for n in range(bench.sent)]
    steps = [s for s in StoreReader(bench.path).steps(0.0, 1e11) if s.alarm.alarm_id == alarm.alarm_id]
    assert [(s.alarm.state, s.who) for s in steps] == [
        (AlarmState.UNACKNOWLEDGED, None),
        (AlarmState.ACKNOWLEDGED, "Ada"),
    ]


def _delete(path: Path) -> None:
    for file in path.parent.glob(f"{path.name}*"):
        if not file.name.endswith((".lock", ".log")):
            file.unlink()


def test_a_store_that_is_deleted_is_begun_anew_and_the_next_watch_knows_what_stood(bench: Bench) -> None:
    config = load(bench.config)
    with watching(config) as client:
        wait_until(lambda: is_connected(client), "the watch at the broker")
        bench.send(60, 21.0)
        wait_until(lambda: alarm_of(client, Condition.TOO_COLD) is not None, "the alarm")
        alarm = alarm_of(client, Condition.TOO_COLD)
        assert alarm is not None
        client.request(Acknowledge(alarm_id=alarm.alarm_id, who="Ada"))
        _delete(bench.path)
        bench.send(20, 21.0)
        wait_until(lambda: alarm.alarm_id in _standing(bench.path), "what stands, in the new store")
        reader = StoreReader(bench.path)
        assert reader.next_alarm_id() > alarm.alarm_id + 1  # numbers are set apart anew
        # As after a kill, the next watch would begin with what stands in this file.
        kept = {a.alarm_id: a for a in reader.standing_alarms()}[alarm.alarm_id]
        assert (kept.state, kept.who) == (AlarmState.ACKNOWLEDGED, "Ada")


def _standing(path: Path) -> list[int]:
    try:
        return [alarm.alarm_id for alarm in StoreReader(path).standing_alarms()]
    except (StoreError, sqlite3.Error):
        return []  # it is being replaced
