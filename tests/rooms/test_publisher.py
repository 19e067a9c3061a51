"""One room, one broker: what is published, what is refused, and what becomes of the judge meanwhile."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from conftest import MosquittoBroker, free_port, wait_until

from tankwatch.alarms.model import Condition, Priority
from tankwatch.cli import run as run_command
from tankwatch.clock import ManualClock, SystemClock
from tankwatch.config import MqttSourceConfig, load
from tankwatch.config_rooms import CentreConfig, PublishConfig
from tankwatch.control.client import ControlClient
from tankwatch.control.protocol import Look
from tankwatch.errors import ControlError
from tankwatch.rooms.heard import Word
from tankwatch.rooms.hub import Hub
from tankwatch.rooms.listener import RoomListener
from tankwatch.rooms.live_check import try_brokers
from tankwatch.rooms.publisher import PICTURE_WITHIN_S, RoomPublisher
from tankwatch.rooms.session import broker_of
from tankwatch.rooms.topics import Topics
from tankwatch.snapshot import RoomSnapshot, SourceSnapshot
from tankwatch.sources.inbox import Inbox
from tankwatch.sources.supervise import Supervisor
from tankwatch.watch.judge import Timing
from tankwatch.watch.run import Watch

HURRIED = Timing(source_lost_after_s=0.3, source_back_after_s=0.2, tick_s=0.1)


@pytest.fixture(autouse=True)
def _own_runtime_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))


def _config_text(port: int, publish: str = "") -> str:
    return f"""
[room]
name = "Back room"
[[source]]
id = "broker"
kind = "mqtt"
port = {port}
[publish]
port = {port}
heartbeat_s = 1.0
{publish}
[[tank]]
id = "t01"
volume_l = 120.0
setpoint_c = 25.0
[[tank.channel]]
kind = "temperature"
source = "broker"
topic = "fish/t01"
decode = "number"
"""


@contextmanager
def _watching(folder: Path, text: str) -> Iterator[ControlClient]:
    path = folder / "room.toml"
    path.write_text(text)
    watch = Watch(load(path), timing=HURRIED)
    watch.start()
    try:
        yield ControlClient(watch.socket_path)
    finally:
        watch.stop()


@contextmanager
def _hearing(port: int, **keys: Any) -> Iterator[Hub]:
    config = CentreConfig(port=port, **keys)
    hub = Hub(Topics(config.topic), SystemClock(), silent_after_s=5.0)
    supervisor = Supervisor(RoomListener(config, hub), Inbox(1), SystemClock(), lost_after_s=20.0)
    supervisor.start()
    try:
        yield hub
    finally:
        supervisor.ask_to_stop()
        assert supervisor.join(5.0)


def _picture(client: ControlClient) -> RoomSnapshot | None:
    try:
        return client.request(Look())
    except ControlError:
        return None


def _publisher(client: ControlClient) -> SourceSnapshot | None:
    picture = _picture(client)
    return next((s for s in picture.sources if s.source_id == "[publish]"), None) if picture else None


def _word(hub: Hub) -> Word | None:
    status = hub.status("back-room")
    return None if status is None else status.word


@pytest.mark.parametrize("protocol", [5, 311])
def test_a_watch_is_heard_with_either_protocol(
    tmp_path: Path, mosquitto_broker: MosquittoBroker, protocol: int
) -> None:
    keys = f'protocol = {protocol}\ntopic = "house/fish"\n'
    with _hearing(mosquitto_broker.port, protocol=protocol, topic="house/fish") as hub:
        with _watching(tmp_path, _config_text(mosquitto_broker.port, keys)):
            wait_until(lambda: _word(hub) is Word.ONLINE, "the room")
            mosquitto_broker.publish("fish/t01", "24.84")
            wait_until(lambda: _water(hub) == 24.84, "the water")
        wait_until(lambda: _word(hub) is Word.STOPPED, "the goodbye")
        assert hub.refusals().documents == 0


def _water(hub: Hub) -> float | None:
    picture = hub.snapshot("back-room")
    if picture is None or not picture.tanks or "temperature" not in picture.tanks[0].values:
        return None
    return picture.tanks[0].values["temperature"].value


def test_a_broker_that_refuses_what_is_published_is_told_and_the_room_is_watched_all_the_same(
    tmp_path: Path, make_mosquitto: Any
) -> None:
    access = tmp_path / "access"
    access.write_text("topic readwrite fish/#\n")
    access.chmod(0o600)
    broker = make_mosquitto(settings=("allow_anonymous true", f"acl_file {access}"))
    with _watching(tmp_path, _config_text(broker.port)) as client:
        wait_until(lambda: _lost(client) is not None, "the alarm")
        alarm = _lost(client)
        assert alarm is not None
        assert alarm.priority is Priority.LOW
        assert "refuses what is published: Not authorized; look at its access list" in alarm.message
        assert "watched all the same" in alarm.message
        broker.publish("fish/t01", "24.84")
        wait_until(lambda: (p := _picture(client)) is not None and p.tanks[0].values, "the reading")


def _lost(client: ControlClient) -> Any:
    picture = _picture(client)
    alarms = picture.alarms if picture is not None else ()
    return next(
        (a for a in alarms if a.condition is Condition.SOURCE_LOST and a.subject == "[publish]"), None
    )


def test_a_broker_that_comes_back_gets_everything_again(
    tmp_path: Path, mosquitto_broker: MosquittoBroker, make_mosquitto: Any
) -> None:
    readings = make_mosquitto()
    text = _config_text(mosquitto_broker.port).replace(
        f'kind = "mqtt"\nport = {mosquitto_broker.port}', f'kind = "mqtt"\nport = {readings.port}'
    )
    with _watching(tmp_path, text) as client:
        readings.publish("fish/t01", "24.5")
        wait_until(lambda: (s := _publisher(client)) is not None and s.state == "connected", "the publisher")
        mosquitto_broker.stop()
        wait_until(lambda: _lost(client) is not None, "the alarm")
        readings.publish("fish/t01", "25.5")
        mosquitto_broker.start()  # it kept nothing
        with _hearing(mosquitto_broker.port) as hub:
            wait_until(lambda: _word(hub) is Word.ONLINE, "the room", timeout_s=15.0)
            wait_until(lambda: _water(hub) == 25.5, "the water")


def test_a_watch_without_pictures_gives_no_sign_of_life(mosquitto_broker: MosquittoBroker) -> None:
    clock = ManualClock()
    publisher = RoomPublisher(PublishConfig(port=mosquitto_broker.port, heartbeat_s=1), "x", None, clock)
    supervisor = Supervisor(publisher, Inbox(1), clock, lost_after_s=20.0)
    supervisor.start()
    with _hearing(mosquitto_broker.port) as hub:
        try:
            publisher.publish(RoomSnapshot(clock.wall_s(), "X", "Etc/UTC", clock.wall_s()))
            wait_until(lambda: hub.snapshot("x") is not None, "the room")
            before = hub.received
            clock.advance(2.0)
            wait_until(lambda: hub.received > before, "a sign of life")
            before = hub.received
            clock.advance(PICTURE_WITHIN_S + 2.0)  # the picture is old: the judge has died
            waited = threading.Event()
            assert not waited.wait(0.6)
            assert hub.received == before
        finally:
            supervisor.ask_to_stop()
            assert supervisor.join(5.0)


def test_the_live_check_tries_both_brokers_and_names_the_rooms_that_are_heard(
    tmp_path: Path, mosquitto_broker: MosquittoBroker
) -> None:
    port = mosquitto_broker.port
    text = _config_text(port)
    centre = f'{text}[centre]\nport = {port}\nrooms = ["back-room", "cellar"]\n'
    path = tmp_path / "centre.toml"
    path.write_text(centre)
    with _watching(tmp_path, text) as client:
        wait_until(lambda: (s := _publisher(client)) is not None and s.state == "connected", "the publisher")
        published, heard = try_brokers(load(path), listen_s=1.2)
        assert (published.ok, published.detail) == (True, "connected; nothing was published")
        assert not heard.ok
        assert heard.detail == "connected; rooms heard: back-room; not heard: cellar"
        path.write_text(centre.replace(', "cellar"', ""))
        assert [result.ok for result in try_brokers(load(path), listen_s=10.0)] == [True, True]
        # The running watch was not thrown out by the look.
        publisher = _publisher(client)
        assert publisher is not None
        assert (publisher.state, publisher.restarts) == ("connected", 0)
    path.write_text(centre.replace(str(port), str(free_port())))
    assert all("connection refused" in result.detail for result in try_brokers(load(path)))


def test_a_table_takes_every_key_of_a_broker_with_it() -> None:
    keys: dict[str, Any] = {"host": "h", "port": 8883, "tls": True, "ca_file": "ca", "keepalive_s": 60}
    keys |= {"username": "u", "password": "p", "protocol": 311, "client_id": "c"}
    broker = broker_of(PublishConfig.model_validate(keys), "publish")
    assert broker == MqttSourceConfig.model_validate({**keys, "id": "publish", "kind": "mqtt"})


def test_all_rooms_need_a_broker_in_the_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from tankwatch.errors import ConfigError
    from tankwatch.screen.rooms.run import run_rooms

    path = tmp_path / "room.toml"
    path.write_text('[room]\nname = "x"\n')
    with pytest.raises(ConfigError, match=r"there is no \[centre\]"):
        run_rooms(load(path), path)
    assert run_command(["watch", str(path)]) == 2
    assert "[centre] rooms" in capsys.readouterr().err
