"""The whole way, with nothing stood in for: broker, pseudo-terminal, files of a bus, store and socket."""

import json
import os
import signal
import subprocess
import sys
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from conftest import MosquittoBroker, need_program, wait_until

from tankwatch.alarms.model import Alarm, AlarmState, Condition
from tankwatch.config import Config, load
from tankwatch.control.client import ControlClient, NoWatchError
from tankwatch.control.path import socket_path
from tankwatch.control.protocol import Acknowledge, Look, Mark, Note
from tankwatch.decode.w1_slave import crc8
from tankwatch.errors import ControlError, StoreError
from tankwatch.reading import Channel, ServiceMark
from tankwatch.snapshot import RoomSnapshot
from tankwatch.store.reader import StoreReader
from tankwatch.watch.judge import Timing
from tankwatch.watch.run import Watch

HURRIED = Timing(source_lost_after_s=0.4, source_back_after_s=0.2, tick_s=0.1)

MQTT_TANK = """\
[[tank]]
id = "t01"
volume_l = 120.0
setpoint_c = 25.0
[[tank.channel]]
kind = "temperature"
source = "broker"
topic = "fish/t01/state"
[[tank.channel]]
kind = "heater"
source = "broker"
topic = "fish/t01/state"
"""


@pytest.fixture(autouse=True)
def _own_runtime_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))


def _config(folder: Path, text: str) -> Path:
    path = folder / "tankwatch.toml"
    path.write_text('[room]\nname = "Back room"\n[store]\npath = "room.db"\n' + text)
    return path


def _broker_config(folder: Path, port: int) -> Path:
    return _config(folder, f'[[source]]\nid = "broker"\nkind = "mqtt"\nport = {port}\n{MQTT_TANK}')


@contextmanager
def _watching(config: Config) -> Iterator[ControlClient]:
    watch = Watch(config, timing=HURRIED)
    watch.start()
    try:
        yield ControlClient(watch.socket_path)
    finally:
        watch.stop()


@contextmanager
def _watch_process(path: Path) -> Iterator[tuple["subprocess.Popen[bytes]", ControlClient]]:
    """Run `tankwatch watch` as a user does; end it in the end, however it stands."""
    with (path.parent / "watch.out").open("ab") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "tankwatch", "watch", str(path)], stdout=out, stderr=out
        )
    client = ControlClient(socket_path(load(path)))
    try:
        wait_until(lambda: _look(client) is not None, "the first picture")
        yield process, client
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
            assert process.wait(20) == 0
    finally:
        process.kill()
        process.wait()


def _look(client: ControlClient) -> RoomSnapshot | None:
    try:
        return client.request(Look())
    except ControlError:
        return None


def _state(client: ControlClient) -> str:
    picture = _look(client)
    return picture.sources[0].state if picture else "no picture"


def _shown(client: ControlClient, tank: int = 0, channel: str = "temperature") -> float | None:
    picture = _look(client)
    live = picture.tanks[tank].values.get(channel) if picture else None
    return live.value if live else None


def _lost(client: ControlClient) -> Alarm | None:
    picture = _look(client)
    alarms = picture.alarms if picture else ()
    return next((a for a in alarms if a.condition is Condition.SOURCE_LOST), None)


def _stored(folder: Path, tank: str = "t01", channel: Channel = Channel.TEMPERATURE) -> list[float]:
    return [float(v) for v in StoreReader(folder / "room.db").series(tank, channel, 0.0, 1e11).mean]


def _pack(time_s: float, celsius: float, heater: bool = False) -> str:
    records: list[dict[str, Any]] = [
        {"bt": time_s, "n": "temperature", "u": "Cel", "v": celsius},
        {"n": "heater", "vb": heater},
    ]
    return json.dumps(records)


def test_mqtt_readings_are_all_stored_and_shown_within_two_seconds(
    tmp_path: Path, mosquitto_broker: MosquittoBroker
) -> None:
    mosquitto_pub = need_program("mosquitto_pub")
    start_s = round(time.time()) - 1000
    values = [24.0 + number / 1000 for number in range(1000)]
    with _watch_process(_broker_config(tmp_path, mosquitto_broker.port)) as (_, client):
        wait_until(lambda: _state(client) == "connected", "the watch at the broker")
        lines = "".join(_pack(start_s + n, value, n % 2 == 1) + "\n" for n, value in enumerate(values))
        subprocess.run(
            [mosquitto_pub, "-p", str(mosquitto_broker.port), "-t", "fish/t01/state", "-q", "1", "-l"],
            input=lines.encode(),
            check=True,
            timeout=30,
        )
        wait_until(lambda: _shown(client) == values[-1], "the last value in the picture", timeout_s=2.0)
        assert _shown(client, channel="heater") == 1.0
    assert _stored(tmp_path) == values
    assert _stored(tmp_path, channel=Channel.HEATER) == [float(n % 2) for n in range(1000)]


def test_broker_that_dies_is_an_alarm_that_ends_by_itself(
    tmp_path: Path, mosquitto_broker: MosquittoBroker
) -> None:
    start_s = round(time.time()) - 100
    with _watching(load(_broker_config(tmp_path, mosquitto_broker.port))) as client:
        wait_until(lambda: _state(client) == "connected", "the watch at the broker")
        mosquitto_broker.publish_many(
            [("fish/t01/state", _pack(start_s + n, 24.0 + n / 100)) for n in range(50)]
        )
        wait_until(lambda: _shown(client) == 24.49, "the last value before the outage")
        mosquitto_broker.stop()
        wait_until(lambda: _lost(client) is not None, "the alarm", timeout_s=10.0)
        alarm = _lost(client)
        assert alarm is not None
        assert (alarm.state, alarm.subject) == (AlarmState.UNACKNOWLEDGED, "broker")
        mosquitto_broker.start()
        wait_until(lambda: _state(client) == "connected", "the watch back at the broker", timeout_s=15.0)
        mosquitto_broker.publish_many(
            [("fish/t01/state", _pack(start_s + n, 24.0 + n / 100)) for n in range(50, 100)]
        )
        wait_until(lambda: _shown(client) == 24.99, "the last value after the outage", timeout_s=2.0)
        wait_until(lambda: (a := _lost(client)) and a.state is AlarmState.RETURNED, "the end of the alarm")
    assert _stored(tmp_path) == [24.0 + n / 100 for n in range(100)]


class _Pty:
    """A probe on a pseudo-terminal that can be pulled out and plugged in again under one name."""

    def __init__(self, name: Path) -> None:
        self.name = name
        self.plug_in()

    def plug_in(self) -> None:
        self._ours, theirs = os.openpty()
        tty.setraw(theirs)
        self.name.symlink_to(os.ttyname(theirs))
        os.close(theirs)

    def pull(self) -> None:
        self.name.unlink()
        os.close(self._ours)

    def write(self, line: str) -> None:
        os.write(self._ours, line.encode())


def test_serial_probe_pulled_and_plugged_in_again(tmp_path: Path) -> None:
    port = tmp_path / "probe"
    probe = _Pty(port)
    text = f'[[source]]\nid = "bench"\nkind = "serial"\nport = "{port}"\n'
    config = load(_config(tmp_path, text + MQTT_TANK.replace("broker", "bench").replace("topic", "# topic")))
    sent: list[float] = []
    start_s = round(time.time()) - 200

    def send(count: int) -> None:
        for _ in range(count):
            sent.append(24.0 + len(sent) / 100)
            probe.write(_pack(start_s + len(sent), sent[-1]) + "\n")
            time.sleep(0.005)  # a probe does not write faster than the line carries

    with _watching(config) as client:
        wait_until(lambda: _state(client) == "connected", "the port")
        time.sleep(0.1)  # a line that comes as the port opens may be half a line, and is left out as such
        send(50)
        wait_until(lambda: _shown(client) == sent[-1], "the last value before the outage", timeout_s=2.0)
        probe.pull()
        wait_until(lambda: _lost(client) is not None, "the alarm")
        probe.plug_in()
        wait_until(lambda: _state(client) == "connected", "the port again")
        time.sleep(0.1)
        send(50)
        wait_until(lambda: _shown(client) == sent[-1], "the last value after the outage", timeout_s=2.0)
        wait_until(lambda: (a := _lost(client)) and a.state is AlarmState.RETURNED, "the end of the alarm")
    assert _stored(tmp_path) == sent


def _w1_text(celsius: float) -> str:
    """Return what the Linux driver writes of a sensor at `celsius`; checksum as in its scratchpad."""
    raw = round(celsius * 16).to_bytes(2, "little", signed=True)
    body = raw + bytes.fromhex("4b467fff0e10")
    shown = " ".join(f"{byte:02x}" for byte in (*body, crc8(body)))
    return f"{shown} : crc={crc8(body):02x} YES\n{shown} t={round(celsius * 1000)}\n"


def test_one_wire_sensor_is_stored_and_shown_and_a_lost_bus_told(tmp_path: Path) -> None:
    bus = tmp_path / "devices"
    sensor = bus / "28-000000000001"
    sensor.mkdir(parents=True)
    (sensor / "w1_slave").write_text(_w1_text(24.5))
    text = f'[[source]]\nid = "bus"\nkind = "onewire"\npath = "{bus}"\ninterval_s = 1\n'
    channel = '[[tank.channel]]\nkind = "temperature"\nsource = "bus"\nname = "28-000000000001"\n'
    config = load(_config(tmp_path, text + MQTT_TANK.partition("[[tank.channel]]")[0] + channel))
    with _watching(config) as client:
        wait_until(lambda: _shown(client) == 24.5, "the first value")
        (sensor / "w1_slave").write_text(_w1_text(25.0625))
        wait_until(lambda: _shown(client) == 25.0625, "the next value", timeout_s=3.0)
        bus.rename(tmp_path / "gone")
        wait_until(lambda: _lost(client) is not None, "the alarm")
        (tmp_path / "gone").rename(bus)
        wait_until(lambda: (a := _lost(client)) and a.state is AlarmState.RETURNED, "the end of the alarm")
    stored = _stored(tmp_path)
    assert stored[0] == 24.5
    assert stored[-1] == 25.0625
    assert set(stored) == {24.5, 25.0625}


def test_screen_that_is_killed_changes_nothing(tmp_path: Path, mosquitto_broker: MosquittoBroker) -> None:
    script = (
        "import asyncio, sys, pathlib\n"
        "from tankwatch.control.client import ControlClient\n"
        "async def follow():\n"
        "    async for picture in ControlClient(pathlib.Path(sys.argv[1])).snapshots():\n"
        "        print('seen', flush=True)\n"
        "asyncio.run(follow())\n"
    )
    with _watching(load(_broker_config(tmp_path, mosquitto_broker.port))) as client:
        wait_until(lambda: _state(client) == "connected", "the watch at the broker")
        screens = [
            subprocess.Popen(
                [sys.executable, "-c", script, str(client.path)], stdout=subprocess.PIPE, text=True
            )
            for _ in range(3)
        ]
        for screen in screens:
            assert screen.stdout is not None
            assert screen.stdout.readline() == "seen\n"
        for screen in screens:
            screen.kill()
            screen.communicate(timeout=10)
        mosquitto_broker.publish("fish/t01/state", _pack(time.time(), 25.5))
        wait_until(lambda: _shown(client) == 25.5, "a value after the screens were killed", timeout_s=2.0)


def test_watch_that_is_killed_begins_again_with_what_stood(
    tmp_path: Path, mosquitto_broker: MosquittoBroker
) -> None:
    path = _broker_config(tmp_path, mosquitto_broker.port)
    config = load(path)
    start_s = round(time.time()) - 3600.0
    # An hour in which the water falls slowly below the low limit: told, and still standing at the end.
    packs: list[tuple[str, str | bytes]] = [
        ("fish/t01/state", _pack(start_s + 10 * n, round(23.6 - n / 360 + 0.02 * (n % 3), 3)))
        for n in range(360)
    ]

    def cold(client: ControlClient) -> Alarm | None:
        picture = _look(client)
        alarms = picture.alarms if picture else ()
        return next((a for a in alarms if a.condition is Condition.TOO_COLD), None)

    with _watch_process(path) as (process, client):
        wait_until(lambda: _state(client) == "connected", "the watch at the broker")
        mosquitto_broker.publish_many(packs)
        wait_until(lambda: len(_stored(tmp_path)) == len(packs), "the readings in the store")
        wait_until(lambda: cold(client) is not None, "the alarm")
        before = cold(client)
        assert before is not None
        client.request(Acknowledge(alarm_id=before.alarm_id, who="Ada"))
        client.request(Mark(tank="t01", mark=ServiceMark.WORK, who="Ada"))
        wait_until(lambda: StoreReader(config.store.path).marks(), "the mark in the store")
        process.kill()
        process.wait(10)
        assert _look(client) is None
    with _watch_process(path) as (_, client):
        after = cold(client)
        assert after is not None
        assert (after.alarm_id, after.state, after.who) == (before.alarm_id, AlarmState.ACKNOWLEDGED, "Ada")
        client.request(Note(tank=None, kind="note", text="started again", who="Ada"))
    reader = StoreReader(config.store.path)
    assert [mark.mark for mark in reader.marks()] == [ServiceMark.WORK]
    assert [entry.text for entry in reader.log()] == ["started again"]
    assert [run.clean for run in reader.runs()] == [False, True]


def test_second_watch_over_one_store_is_refused(tmp_path: Path, mosquitto_broker: MosquittoBroker) -> None:
    config = load(_broker_config(tmp_path, mosquitto_broker.port))
    with _watching(config) as client:
        with pytest.raises(StoreError, match="Another watch"):
            Watch(config).start()
        wait_until(lambda: _look(client) is not None, "the first watch, undisturbed")


def test_bad_payloads_are_counted_and_stop_nothing(tmp_path: Path, mosquitto_broker: MosquittoBroker) -> None:
    bad: list[str | bytes] = [
        b"\xff\xfe\x00", "{", "[]", "NaN", '[{"n":"temperature","v":1e999}]', b"x" * 70_000,
        '[{"n":"temperature","u":"K","v":25}]', "\x1b]0;title\x07[/bold]",
    ]  # fmt: skip
    with _watching(load(_broker_config(tmp_path, mosquitto_broker.port))) as client:
        wait_until(lambda: _state(client) == "connected", "the watch at the broker")
        mosquitto_broker.publish_many([("fish/t01/state", payload) for payload in bad])
        mosquitto_broker.publish("fish/t01/state", _pack(time.time(), 25.5))
        wait_until(lambda: _shown(client) == 25.5, "the value after the bad ones", timeout_s=2.0)
        picture = _look(client)
        assert picture is not None
        (source,) = picture.sources
        assert source.received == len(bad) + 1
        assert sum(source.refused.values()) >= len(bad) - 1  # an empty pack is no fault
        assert "\x1b" not in source.last_refused
        assert not [a for a in picture.alarms if a.condition is Condition.WATCH_STALLED]


def test_socket_is_gone_when_the_watch_has_ended(tmp_path: Path) -> None:
    config = load(_config(tmp_path, MQTT_TANK.partition("[[tank.channel]]")[0]))
    with _watching(config) as client:
        assert client.path.exists()
    assert not client.path.exists()
    with pytest.raises(NoWatchError):
        client.request(Look())


def test_retained_value_is_shown_but_not_stored(
    tmp_path: Path, make_mosquitto: Callable[..., MosquittoBroker]
) -> None:
    broker = make_mosquitto()
    broker.publish("fish/t01/state", _pack(time.time() - 86_400, 21.0), retain=True)
    with _watching(load(_broker_config(tmp_path, broker.port))) as client:
        wait_until(lambda: _shown(client) == 21.0, "the retained value")
        picture = _look(client)
        assert picture is not None
        live = picture.tanks[0].values["temperature"]
        assert live.retained
        assert live.stale
    assert _stored(tmp_path) == []
