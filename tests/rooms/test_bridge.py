"""A room, its broker, a bridge, the broker of the centre and the centre, as configs/rooms describes them."""

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from bridged import CONFIGS, PASSWORDS, Bridged, held, start_bridged
from conftest import MosquittoBroker, free_port, wait_until
from paho.mqtt.enums import CallbackAPIVersion

from tankwatch.alarms.model import Alarm, AlarmState, Condition, Priority
from tankwatch.check import as_lines, report
from tankwatch.clock import SystemClock
from tankwatch.config import load, warnings_of
from tankwatch.config_rooms import CentreConfig
from tankwatch.control.client import ControlClient
from tankwatch.control.path import socket_path
from tankwatch.control.protocol import Look
from tankwatch.errors import ControlError
from tankwatch.rooms.heard import Word
from tankwatch.rooms.hub import Hub, RoomStatus
from tankwatch.rooms.listener import RoomListener
from tankwatch.rooms.topics import Topics
from tankwatch.snapshot import RoomSnapshot
from tankwatch.sources.inbox import Inbox
from tankwatch.sources.supervise import Supervisor
from tankwatch.watch.judge import Timing
from tankwatch.watch.run import Watch

SILENT_S = 3.0
ROOM = "room back-room"
"""Subject of alarms about the room, at the centre."""


@pytest.fixture(autouse=True)
def _own_runtime_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))


@pytest.fixture
def bridged(tmp_path: Path, certificates: Path) -> Iterator[Bridged]:
    brokers = start_bridged(tmp_path / "brokers", certificates)
    yield brokers
    brokers.stop()


@dataclass
class Centre:
    """What a screen at the centre has: a hub, and the thread that hears for it."""

    hub: Hub
    ear: RoomListener
    supervisor: Supervisor

    def status(self, room: str = "back-room") -> RoomStatus | None:
        return self.hub.status(room)

    def word(self) -> Word | None:
        status = self.status()
        return None if status is None else status.word

    def picture(self) -> RoomSnapshot | None:
        return self.hub.snapshot("back-room")

    def alarm(self) -> Alarm | None:
        picture = self.picture()
        return next(iter(picture.alarms), None) if picture is not None else None

    def water(self) -> float | None:
        picture = self.picture()
        if picture is None or not picture.tanks or "temperature" not in picture.tanks[0].values:
            return None
        return picture.tanks[0].values["temperature"].value


def _hear(port: int, user: str = "centre", **keys: Any) -> Centre:
    config = CentreConfig(port=port, username=user, password=PASSWORDS[user], silent_after_s=SILENT_S, **keys)
    clock = SystemClock()
    hub = Hub(Topics(config.topic), clock, silent_after_s=SILENT_S)
    ear = RoomListener(config, hub)
    supervisor = Supervisor(ear, Inbox(1), clock, lost_after_s=20.0)
    supervisor.start()
    return Centre(hub, ear, supervisor)


@pytest.fixture
def centre(bridged: Bridged) -> Iterator[Centre]:
    centre = _hear(bridged.centre.port)
    yield centre
    centre.supervisor.ask_to_stop()
    centre.supervisor.join(5.0)


def _room_file(folder: Path, port: int, other_port: int = 0) -> Path:
    """Write the example of a room with the port of its broker, in a hurry; with one more source, if given."""
    text = (CONFIGS / "room.toml").read_text()
    text = text.replace('host = "127.0.0.1"', f'host = "127.0.0.1"\nport = {port}\npassword = "w"')
    text = text.replace("heartbeat_s = 20.0", "heartbeat_s = 1.0")
    text = text.replace("tank_every_s = 10.0", "tank_every_s = 1.0")
    if other_port:
        text += f'[[source]]\nid = "rack"\nkind = "mqtt"\nport = {other_port}\n'
    path = folder / "room.toml"
    path.write_text(text)
    return path


def _client(port: int, user: str) -> paho.Client:
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.username_pw_set(user, PASSWORDS[user])
    client.connect("127.0.0.1", port)
    client.loop_start()
    return client


def _publish(port: int, user: str, topic: str, payload: str, **options: Any) -> int:
    """Publish one message as `user`; return the broker's reason code."""
    codes: list[int] = []
    client = _client(port, user)
    client.on_publish = lambda client, userdata, mid, reason, properties: codes.append(reason.value)
    client.publish(topic, payload, qos=1, **options)
    wait_until(lambda: codes, "the broker's answer")
    client.disconnect()
    client.loop_stop()
    return codes[0]


def _water(bridged: Bridged, value_c: float) -> None:
    pack = f'[{{"n":"temperature","u":"Cel","v":{value_c}}}]'
    assert _publish(bridged.edge.port, "t01", "fish/t01/state", pack) in (0, 16)


@pytest.mark.parametrize("name", ["room", "centre"])
def test_the_examples_load_and_need_no_warning(name: str) -> None:
    path = CONFIGS / f"{name}.toml"
    config = load(path)
    assert list(warnings_of(config)) == []
    found = report(config, path)
    said = "\n".join(as_lines(found))
    assert found["room"] == config.room.name
    if name == "room":
        assert config.publish is not None
        assert config.room.slug == "back-room"
        conditions = {item["condition"] for item in found["tanks"][0]["watched_for"]}
        assert "Published to 127.0.0.1:1883 as tankwatch/1/back-room/…: alarms may be acknowledged" in said
        assert {"too-cold", "heater-stuck-on"} <= conditions
    else:
        assert config.centre is not None
        assert config.centre.rooms == ("back-room", "cellar")
        assert "room cellar: source-lost when it is silent for 70 s" in said


def test_status_survives_a_cut_link_and_an_acknowledgement_passes_the_bridge(
    tmp_path: Path, bridged: Bridged, centre: Centre, mosquitto_broker: MosquittoBroker
) -> None:
    config = load(_room_file(tmp_path, bridged.edge.port, mosquitto_broker.port))
    watch = Watch(config, timing=Timing(source_lost_after_s=0.5, tick_s=0.2))
    watch.start()
    try:
        wait_until(lambda: centre.word() is Word.ONLINE, "the room at the centre")
        _water(bridged, 24.5)
        wait_until(lambda: centre.water() == 24.5, "the water at the centre")

        # The link is cut: the room falls silent at the centre, and is watched all the same.
        bridged.link.cut()
        wait_until(lambda: centre.word() is Word.SILENT, "the silence", timeout_s=15.0)
        _water(bridged, 25.5)
        mosquitto_broker.stop()
        client = ControlClient(watch.socket_path)
        wait_until(lambda: _alarms(client), "the alarm in the room")
        assert centre.water() == 24.5
        assert centre.alarm() is None

        # It is back: the newest status comes, not a queue of old ones, and life is believed again.
        bridged.link.mend()
        wait_until(lambda: centre.word() is Word.ONLINE, "the room again", timeout_s=15.0)
        wait_until(lambda: centre.water() == 25.5, "the newest water")
        wait_until(lambda: centre.alarm() is not None, "the alarm")
        alarm = centre.alarm()
        assert alarm is not None
        assert (alarm.subject, alarm.condition) == ("rack", Condition.SOURCE_LOST)
        assert alarm.state is AlarmState.UNACKNOWLEDGED

        wait_until(lambda: centre.hub.permit("back-room", alarm.alarm_id), "the permit")
        centre.ear.acknowledge("back-room", alarm.alarm_id, "kim")
        wait_until(
            lambda: (now := centre.alarm()) is not None and now.state is AlarmState.ACKNOWLEDGED,
            "the acknowledgement in the state that comes back",
        )
        acknowledged = centre.alarm()
        assert acknowledged is not None
        assert acknowledged.who == "kim (centre)"
        wait_until(
            lambda: centre.hub.permit("back-room", alarm.alarm_id) is None, "the end of the permission"
        )
        with pytest.raises(ControlError, match="has not permitted"):
            centre.ear.acknowledge("back-room", alarm.alarm_id, "kim")
    finally:
        watch.stop()
    wait_until(lambda: centre.word() is Word.STOPPED, "the goodbye")


def _alarms(client: ControlClient) -> tuple[Alarm, ...]:
    try:
        picture = client.request(Look())
    except ControlError:
        return ()
    return picture.alarms if picture is not None else ()


def test_who_may_only_look_sees_all_and_acknowledges_nothing(
    tmp_path: Path, bridged: Bridged, centre: Centre, certificates: Path
) -> None:
    # From another house: through the encrypted door that the bridges use.
    looker = _hear(bridged.link.port, "looker", tls=True, ca_file=certificates / "ca.crt")
    config = load(_room_file(tmp_path, bridged.edge.port, free_port()))
    watch = Watch(config, timing=Timing(source_lost_after_s=0.5, tick_s=0.2))
    watch.start()
    try:
        wait_until(lambda: centre.alarm() is not None and looker.alarm() is not None, "the alarm at both")
        alarm = looker.alarm()
        assert alarm is not None
        wait_until(lambda: centre.hub.permit("back-room", alarm.alarm_id), "the permit")
        found = centre.hub.permit("back-room", alarm.alarm_id)
        assert found is not None
        with pytest.raises(ControlError, match="has not permitted"):
            looker.ear.acknowledge("back-room", alarm.alarm_id, "someone")
        run, token, up_s = found
        said = f'{{"run":"{run}","up_s":{up_s},"tokens":["{token}"],"who":"someone"}}'
        topic = "tankwatch/1/back-room/acknowledge"
        # A stolen token does not help a user whom the access list lets write nothing (135: not authorized).
        assert _publish(bridged.centre.port, "looker", topic, said) == 135
        # Nor does a forged one, one from long ago, or one for another run of the watch.
        for payload in (
            said.replace(token, "1.e30.x"),
            said.replace(f'"up_s":{up_s}', f'"up_s":{up_s + 500}'),
            said.replace(run, "00000000"),
            "\x00",
        ):
            assert _publish(bridged.centre.port, "centre", topic, payload) in (0, 16)

        def is_new() -> bool:
            now = looker.alarm()
            return now is not None and now.state is AlarmState.UNACKNOWLEDGED

        assert held(is_new, 0.5)
    finally:
        watch.stop()
        looker.supervisor.ask_to_stop()
        looker.supervisor.join(5.0)


def test_a_room_can_write_and_read_nothing_but_its_own(bridged: Bridged) -> None:
    port = bridged.centre.port
    heard: list[str] = []
    spy = _client(port, "cellar")
    spy.on_message = lambda client, userdata, message: heard.append(message.topic)
    spy.subscribe("#", qos=1)
    everything: list[str] = []
    witness = _client(port, "centre")
    witness.on_message = lambda client, userdata, message: everything.append(message.topic)
    witness.subscribe("tankwatch/#", qos=1)
    time.sleep(0.2)
    for topic in (
        "tankwatch/1/back-room/online",
        "tankwatch/1/back-room/tank/t01",
        "tankwatch/1/back-room/acknowledge",
        "tankwatch/1/cellar/acknowledge",
        "tankwatch/1/cellar/other",
        "fish/t01/state",
    ):
        assert _publish(port, "cellar", topic, "x") == 135, topic
    assert _publish(port, "cellar", "tankwatch/1/cellar/online", "x") == 0
    assert _publish(port, "centre", "tankwatch/1/back-room/online", "x") == 135
    assert _publish(port, "centre", "tankwatch/1/back-room/acknowledge", "x") == 0
    assert _publish(port, "centre", "tankwatch/1/cellar/acknowledge", "x") == 0
    wait_until(lambda: "tankwatch/1/cellar/acknowledge" in heard, "its own acknowledgement")
    wait_until(lambda: "tankwatch/1/cellar/online" in everything, "what it may write")
    assert set(heard) == {"tankwatch/1/cellar/acknowledge"}
    assert not any(
        topic.startswith("tankwatch/1/back-room/") for topic in everything if "acknowledge" not in topic
    )
    for client in (spy, witness):
        client.disconnect()
        client.loop_stop()
    # And in the room itself a probe writes only below its own name.
    assert _publish(bridged.edge.port, "t01", "fish/t02/state", "x") == 135
    assert _publish(bridged.edge.port, "t01", "tankwatch/1/back-room/online", "x") == 135


def _centre_file(folder: Path, port: int, told: Path) -> Path:
    """Write the example of a centre in a hurry, with a person whose messages go to the file `told`."""
    text = (CONFIGS / "centre.toml").read_text().replace(', "cellar"', "")
    text = text.replace("silent_after_s = 70.0", f"silent_after_s = {SILENT_S}")
    text = text.replace('host = "127.0.0.1"', f'host = "127.0.0.1"\nport = {port}\npassword = "c"')
    text += f"""
[notify]
gather_s = 0.0
[[way]]
id = "file"
kind = "command"
command = ["sh", "-c", "cat >> {told}"]
[[person]]
id = "kim"
ways = ["file"]
"""
    path = folder / "centre.toml"
    path.write_text(text)
    return path


@contextmanager
def _watched_centre(
    tmp_path: Path, bridged: Bridged
) -> Iterator[tuple[ControlClient, "subprocess.Popen[bytes]"]]:
    """Run the watch of a room as a process of its own, and a watch of the centre here."""
    (tmp_path / "room").mkdir()
    config = load(_centre_file(tmp_path, bridged.centre.port, tmp_path / "told"))
    room = _start_watch(_room_file(tmp_path / "room", bridged.edge.port))
    watch = Watch(config, timing=Timing(source_lost_after_s=0.5, source_back_after_s=0.2, tick_s=0.2))
    watch.start()
    client = ControlClient(socket_path(config))
    try:
        # On a busy machine the room may begin later than it is given time: then an alarm came and went.
        wait_until(lambda: _source_state(client) == "connected", "the room at the centre", timeout_s=30.0)
        wait_until(lambda: _state_of(client, ROOM) in (None, AlarmState.RETURNED), "no alarm")
        yield client, room
    finally:
        watch.stop()
        room.terminate()
        room.wait(10)


def _alarm_of(client: ControlClient, subject: str) -> Alarm | None:
    return next((alarm for alarm in _alarms(client) if alarm.subject == subject), None)


def _state_of(client: ControlClient, subject: str) -> AlarmState | None:
    alarm = _alarm_of(client, subject)
    return None if alarm is None else alarm.state


def test_a_watch_that_dies_is_an_alarm_at_the_centre_and_told(tmp_path: Path, bridged: Bridged) -> None:
    told = tmp_path / "told"
    with _watched_centre(tmp_path, bridged) as (client, room):
        room.kill()
        wait_until(lambda: _state_of(client, ROOM) is AlarmState.UNACKNOWLEDGED, "the alarm of the last will")
        alarm = _alarm_of(client, ROOM)
        assert alarm is not None
        assert (alarm.condition, alarm.priority) == (Condition.SOURCE_LOST, Priority.HIGH)
        assert "lost the connection" in alarm.message
        wait_until(lambda: told.exists() and "back-room" in told.read_text(), "the message")


@pytest.mark.slow
def test_a_room_that_is_cut_off_is_an_alarm_at_the_centre_for_as_long(
    tmp_path: Path, bridged: Bridged
) -> None:
    with _watched_centre(tmp_path, bridged) as (client, _):
        for _ in range(2):
            bridged.link.cut()
            wait_until(
                lambda: _state_of(client, ROOM) is AlarmState.UNACKNOWLEDGED, "the silence", timeout_s=15.0
            )
            alarm = _alarm_of(client, ROOM)
            assert alarm is not None
            assert "no sign of life" in alarm.message
            bridged.link.mend()
            wait_until(
                lambda: _state_of(client, ROOM) is AlarmState.RETURNED, "the room again", timeout_s=15.0
            )


@pytest.mark.slow
def test_a_broker_away_at_the_centre_is_one_fault_and_not_one_of_each_room(
    tmp_path: Path, bridged: Bridged
) -> None:
    with _watched_centre(tmp_path, bridged) as (client, _):
        bridged.centre.kill()
        wait_until(lambda: _state_of(client, "[centre]") is not None, "the alarm of the broker")
        assert held(lambda: _state_of(client, ROOM) in (None, AlarmState.RETURNED), 2 * SILENT_S)
        assert _source_state(client) == "connecting"


def _source_state(client: ControlClient) -> str | None:
    try:
        picture = client.request(Look())
    except ControlError:
        return None
    sources = picture.sources if picture is not None else ()
    return next((s.state for s in sources if s.source_id == ROOM), None)


def _start_watch(path: Path) -> "subprocess.Popen[bytes]":
    with (path.parent / "watch.out").open("ab") as out:
        return subprocess.Popen(
            [sys.executable, "-m", "tankwatch", "watch", str(path)],
            stdout=out,
            stderr=out,
            env={**os.environ, "XDG_RUNTIME_DIR": str(path.parent)},
        )
