"""Messages, the standing of the room, the last will and acknowledgements, over a real broker."""

import json
import logging
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from conftest import MosquittoBroker, free_port, wait_until
from paho.mqtt.enums import CallbackAPIVersion
from test_heart import NotifySocket

from tankwatch.alarms.model import AlarmState, Condition
from tankwatch.cli import run as run_command
from tankwatch.config import Config, load
from tankwatch.control.client import ControlClient
from tankwatch.control.protocol import Look, OutOfService, ReturnToService, Shelve
from tankwatch.errors import ControlError
from tankwatch.notify.live_check import send_test
from tankwatch.snapshot import RoomSnapshot
from tankwatch.store.reader import StoreReader
from tankwatch.watch.judge import Timing
from tankwatch.watch.run import Watch

HURRIED = Timing(source_lost_after_s=0.3, source_back_after_s=0.2, tick_s=0.1)


@pytest.fixture(autouse=True)
def _own_runtime_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))


class Subscriber:
    """Hears everything below `tankwatch/`."""

    def __init__(self, port: int) -> None:
        self.heard: list[tuple[str, dict[str, Any]]] = []
        self.client = paho.Client(CallbackAPIVersion.VERSION2)
        self.client.on_connect = lambda client, *_: client.subscribe("tankwatch/#", qos=1)
        self.client.on_message = lambda client, userdata, message: self._note(message)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def _note(self, message: paho.MQTTMessage) -> None:
        if not message.topic.endswith("/acknowledge"):
            self.heard.append((message.topic.removeprefix("tankwatch/"), json.loads(message.payload)))

    def of(self, topic: str) -> list[dict[str, Any]]:
        return [document for name, document in list(self.heard) if name == topic]

    def stop(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def subscriber(mosquitto_broker: MosquittoBroker) -> Iterator[Subscriber]:
    subscriber = Subscriber(mosquitto_broker.port)
    yield subscriber
    subscriber.stop()


def _config_file(folder: Path, port: int) -> Path:
    path = folder / "tankwatch.toml"
    path.write_text(
        f"""
[room]
name = "Back room"
[store]
path = "room.db"
[[source]]
id = "broker"
kind = "mqtt"
port = {port}
keepalive_s = 5
[[source]]
id = "gone"
kind = "mqtt"
port = {free_port()}
[[tank]]
id = "t01"
name = "Long tank"
volume_l = 120.0
setpoint_c = 25.0
[[tank.channel]]
kind = "temperature"
source = "broker"
topic = "fish/t01/state"
decode = "number"
[notify]
gather_s = 0.0
[[way]]
id = "house"
kind = "mqtt"
source = "broker"
[[person]]
id = "sam"
ways = ["house"]
"""
    )
    return path


@contextmanager
def _watching(config: Config) -> Iterator[ControlClient]:
    watch = Watch(config, timing=HURRIED)
    watch.start()
    try:
        yield ControlClient(watch.socket_path)
    finally:
        watch.stop()


def _picture(client: ControlClient) -> RoomSnapshot | None:
    try:
        return client.request(Look())
    except ControlError:
        return None


def _states(client: ControlClient) -> dict[str | None, AlarmState]:
    picture = _picture(client)
    return {alarm.subject: alarm.state for alarm in picture.alarms} if picture else {}


def test_messages_standing_and_both_ways_to_acknowledge(
    tmp_path: Path, mosquitto_broker: MosquittoBroker, subscriber: Subscriber
) -> None:
    path = _config_file(tmp_path, mosquitto_broker.port)
    with _watching(load(path)) as client:
        wait_until(lambda: subscriber.of("message/sam"), "the message of the lost source", timeout_s=20.0)
        message = subscriber.of("message/sam")[0]
        assert (message["v"], message["kind"], message["priority"]) == (1, "alarm", "high")
        assert len(message["text"]) < 300
        wait_until(lambda: subscriber.of("tank/t01"), "the standing of the tank")
        mosquitto_broker.publish("fish/t01/state", "24.84")
        wait_until(lambda: subscriber.of("tank/t01")[-1]["temperature_c"] == 24.8, "the temperature")
        assert subscriber.of("watch")[-1]["state"] == "alive"
        wait_until(lambda: subscriber.of("room")[-1]["worst"] == "high", "the standing of the room")
        assert subscriber.of("room")[-1]["room_alarms"][0]["alarm"] == "source-lost"

        mosquitto_broker.publish("tankwatch/acknowledge", "1.e30.forged")
        mosquitto_broker.publish("tankwatch/acknowledge", message["token"], retain=True)
        time.sleep(0.3)
        mosquitto_broker.publish("tankwatch/acknowledge", b"\xff\x00")
        mosquitto_broker.publish("tankwatch/acknowledge", message["token"])
        wait_until(lambda: _states(client).get("gone") is AlarmState.ACKNOWLEDGED, "the acknowledgement")
        picture = _picture(client)
        assert picture is not None
        assert picture.alarms[0].who == "sam"
        with pytest.raises(ControlError, match="acknowledged or over already"):
            run_command_or_raise(path, message["code"])
    assert subscriber.of("watch")[-1]["state"] == "stopped"


def run_command_or_raise(path: Path, code: str) -> None:
    """Acknowledge as the command does, with its error instead of its exit status."""
    from argparse import Namespace

    from tankwatch.notify.cli_acknowledge import run_acknowledge

    run_acknowledge(Namespace(code=code, who="kim", config=path))


def test_the_command_acknowledges_by_code_and_by_number(
    tmp_path: Path,
    mosquitto_broker: MosquittoBroker,
    subscriber: Subscriber,
    capsys: pytest.CaptureFixture[str],
) -> None:
    path = _config_file(tmp_path, mosquitto_broker.port)
    with _watching(load(path)) as client:
        wait_until(lambda: subscriber.of("message/sam"), "the message of the lost source", timeout_s=20.0)
        message = subscriber.of("message/sam")[0]
        assert run_command(["acknowledge", "ZZZZZZ", "--config", str(path)]) == 1
        assert "no code" in capsys.readouterr().err
        assert (
            run_command(["acknowledge", message["code"].lower(), "--who", "kim", "--config", str(path)]) == 0
        )
        wait_until(lambda: _states(client).get("gone") is AlarmState.ACKNOWLEDGED, "the acknowledgement")
        assert run_command(["acknowledge", str(message["alarms"][0]), "--config", str(path)]) == 1
        assert "acknowledged already" in capsys.readouterr().err
        assert run_command(["acknowledge", "x", "--config", str(path)]) == 1
        assert "neither a code nor the number" in capsys.readouterr().err


def test_shelving_and_out_of_service_over_the_socket_last_over_a_restart(
    tmp_path: Path, mosquitto_broker: MosquittoBroker
) -> None:
    config = load(_config_file(tmp_path, mosquitto_broker.port))
    with _watching(config) as client:
        wait_until(lambda: _states(client).get("gone") is AlarmState.UNACKNOWLEDGED, "the lost source")
        picture = _picture(client)
        assert picture is not None
        number = picture.alarms[0].alarm_id
        client.request(Shelve(alarm_id=number, minutes=30, why="being moved", who="sam"))
        client.request(OutOfService(tank="t01", condition=Condition.LIGHT_MISSED, why="no lamp", who="sam"))
        with pytest.raises(ControlError, match="out of service already"):
            client.request(
                OutOfService(tank="t01", condition=Condition.LIGHT_MISSED, why="no lamp", who="sam")
            )
        with pytest.raises(ControlError, match="no tank 't99'"):
            client.request(
                OutOfService(tank="t99", condition=Condition.LIGHT_MISSED, why="no lamp", who="sam")
            )
    with _watching(config) as client:
        wait_until(lambda: _picture(client) is not None, "a picture after the restart")
        picture = _picture(client)
        assert picture is not None
        states = {alarm.condition.value: alarm for alarm in picture.alarms}
        assert states["source-lost"].state is AlarmState.SHELVED
        assert states["source-lost"].until_s is not None
        assert states["light-missed"].state is AlarmState.OUT_OF_SERVICE
        client.request(ReturnToService(alarm_id=states["light-missed"].alarm_id, who="kim"))
    steps = StoreReader(config.store.path).steps(0.0, 1e11)
    assert ("returned to service", "kim") in {(step.why, step.who) for step in steps}
    assert ("being moved", "sam") in {(step.why, step.who) for step in steps}


def test_a_watch_that_is_killed_is_seen_by_a_subscriber_and_by_the_supervisor(
    tmp_path: Path,
    mosquitto_broker: MosquittoBroker,
    subscriber: Subscriber,
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.INFO)
    path = _config_file(tmp_path, mosquitto_broker.port)
    notify = NotifySocket(str(tmp_path / "notify"))
    notify.socket.settimeout(20.0)
    process = subprocess.Popen(
        [sys.executable, "-m", "tankwatch", "watch", str(path)],
        stderr=subprocess.DEVNULL,
        env={**os.environ, "NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "1500000"},
    )
    try:
        told = {notify.next().splitlines()[0] for _ in range(4)}
        assert told == {"READY=1", "WATCHDOG=1"}
        wait_until(lambda: subscriber.of("watch"), "the sign of life")
        assert subscriber.of("watch")[-1]["state"] == "alive"
        process.send_signal(signal.SIGKILL)
        process.wait(10)
        killed_s = time.monotonic()
        wait_until(lambda: subscriber.of("watch")[-1]["state"] == "gone", "the last will", timeout_s=7.5)
        assert time.monotonic() - killed_s < 7.5  # 1.5 times the keep-alive (MQTT 5 section 3.1.2.10)
        assert notify.rest(1.5) <= 4  # what it said before it died may still be on its way
    finally:
        process.kill()
        process.wait(10)
        notify.socket.close()
    # The next watch says for how long nobody watched; the record of the first ends at its last sign of life.
    with _watching(load(path)):
        runs = StoreReader(tmp_path / "room.db").runs()
        assert runs[0].clean is False
        wait_until(lambda: subscriber.of("watch")[-1]["state"] == "alive", "the sign of life of the next")
        wait_until(lambda: "Nobody watched from" in caplog.text, "the note of the blind time")
    assert "the watch died or was killed" in caplog.text


def test_a_broker_that_restarts_gets_what_waited_and_the_standing_anew(
    tmp_path: Path, mosquitto_broker: MosquittoBroker
) -> None:
    config = load(_config_file(tmp_path, mosquitto_broker.port))
    with _watching(config) as client:
        wait_until(lambda: _states(client).get("gone") is AlarmState.UNACKNOWLEDGED, "the lost source")
        mosquitto_broker.stop()
        wait_until(lambda: "broker" in _states(client), "the loss of the broker", timeout_s=15.0)
        mosquitto_broker.start()
        late = Subscriber(mosquitto_broker.port)
        try:
            wait_until(
                lambda: any("broker" in m["text"] for m in late.of("message/sam")), "what waited", 60.0
            )
            wait_until(lambda: late.of("tank/t01") and late.of("watch"), "the standing", 10.0)
        finally:
            late.stop()


def test_the_live_check_over_mqtt(
    tmp_path: Path, mosquitto_broker: MosquittoBroker, subscriber: Subscriber
) -> None:
    config = load(_config_file(tmp_path, mosquitto_broker.port))
    (result,) = send_test(config)
    assert (result.way, result.kind, result.ok) == ("house", "mqtt", True)
    wait_until(lambda: subscriber.of("message/sam"), "the test message")
    assert subscriber.of("message/sam")[0]["kind"] == "test"
    mosquitto_broker.stop()
    (result,) = send_test(config)
    assert not result.ok
    assert "is the broker running?" in result.detail
