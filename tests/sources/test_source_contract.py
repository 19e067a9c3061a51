"""What every kind of source must do, run over a broker, a pseudo-terminal and a tree of sensor files."""

import json
import os
import pty
import threading
import tty
from abc import ABC, abstractmethod
from collections.abc import Iterator
from itertools import groupby
from pathlib import Path

import pytest
from conftest import MosquittoBroker, wait_until
from running_sources import Running, room

from tankwatch.config import Config
from tankwatch.decode.w1_slave import crc8
from tankwatch.reading import Channel

SENSOR = "28-000000015ae1"


def pack(value: float) -> str:
    return json.dumps([{"n": "temperature", "u": "Cel", "v": value}])


class Rig(ABC):
    """A probe, and what it is connected by."""

    config: Config

    @abstractmethod
    def send(self, value: float) -> None: ...
    @abstractmethod
    def lose(self) -> None: ...
    @abstractmethod
    def restore(self) -> None: ...


class MqttRig(Rig):
    def __init__(self, broker: MosquittoBroker, protocol: int) -> None:
        self.broker = broker
        source = {"kind": "mqtt", "port": broker.port, "protocol": protocol}
        self.config = room(source, [{"kind": "temperature", "topic": "fish/+/state"}])

    def send(self, value: float) -> None:
        self.broker.publish("fish/t01/state", pack(value))

    def lose(self) -> None:
        self.broker.stop()

    def restore(self) -> None:
        self.broker.start()


class SerialRig(Rig):
    def __init__(self, folder: Path) -> None:
        self.link = folder / "bench"
        self.config = room({"kind": "serial", "port": str(self.link)}, [{"kind": "temperature"}])
        self.fds: list[int] = []
        self.restore()

    def send(self, value: float) -> None:
        os.write(self.fds[0], pack(value).encode() + b"\r\n")

    def lose(self) -> None:
        self.link.unlink()
        for fd in self.fds:
            os.close(fd)
        self.fds.clear()

    def restore(self) -> None:
        self.fds = list(pty.openpty())
        tty.setraw(self.fds[1])
        self.link.symlink_to(os.ttyname(self.fds[1]))


class OneWireRig(Rig):
    def __init__(self, folder: Path) -> None:
        self.device = folder / "devices" / SENSOR
        self.device.mkdir(parents=True)
        self.file = self.device / "w1_slave"
        config = room(
            {"kind": "onewire", "path": str(folder / "devices")}, [{"kind": "temperature", "name": SENSOR}]
        )
        # Quicker than a configuration may ask for, to keep the test short.
        source = config.source[0].model_copy(update={"interval_s": 0.02})
        self.config = config.model_copy(update={"source": (source,)})
        self.last = 20.0
        self.restore()

    def send(self, value: float) -> None:
        pad = round(value * 16).to_bytes(2, "little", signed=True) + bytes.fromhex("4b467fff0c10")
        shown = (pad + bytes([crc8(pad)])).hex(" ")
        new = self.device / ".new"
        new.write_text(f"{shown} : crc={crc8(pad):02x} YES\n{shown} t={int(value * 1000)}\n")
        new.replace(self.file)
        self.last = value

    def lose(self) -> None:
        self.file.unlink()
        self.device.rmdir()

    def restore(self) -> None:
        self.device.mkdir(exist_ok=True)
        self.send(self.last)


@pytest.fixture(params=["mqtt5", "mqtt311", "serial", "onewire"])
def rig(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Rig]:
    if request.param.startswith("mqtt"):
        yield MqttRig(request.getfixturevalue("mosquitto_broker"), int(request.param[4:]))
    elif request.param == "serial":
        serial = SerialRig(tmp_path)
        yield serial
        for fd in serial.fds:
            os.close(fd)
    else:
        yield OneWireRig(tmp_path)


def without_repeats(values: list[float]) -> list[float]:
    """A 1-wire sensor is asked again and again and gives its value each time."""
    return [value for value, _ in groupby(values)]


def test_keeps_the_contract(rig: Rig) -> None:
    with Running(rig.config) as running:
        health = running.wait_for_state("connected")
        assert health.source_id == "src"
        assert health.kind == rig.config.source[0].kind
        assert health.detail

        def arrives(value: float) -> None:
            rig.send(value)
            wait_until(lambda: running.values()[-1:] == [value], f"a reading of {value}")

        sent = [24.0, 24.5, 25.0, 24.25]
        for value in sent:
            arrives(value)
        assert [v for v in without_repeats(running.values()) if v != 20.0] == sent
        reading = running.readings[-1]
        assert (reading.tank, reading.channel, reading.source) == ("t01", Channel.TEMPERATURE, "src")
        assert not reading.retained

        rig.lose()
        lost = running.wait_for_state("lost")
        assert lost.detail
        assert lost.accepted == len(running.values())
        assert lost.received >= len(sent)
        assert lost.last_heard_age_s is not None

        rig.restore()
        running.wait_for_state("connected")
        arrives(26.5)
        assert running.health().restarts >= 1

        running.sources.stop(5.0)
        assert running.health().state == "stopped"
        assert not [t.name for t in threading.enumerate() if t.name == "source src"]


def test_absent_it_is_connecting_then_lost_then_connected(rig: Rig) -> None:
    rig.lose()
    with Running(rig.config, lost_after_s=0.6) as running:
        assert running.health().state == "connecting"
        lost = running.wait_for_state("lost")
        assert lost.detail
        assert (lost.received, lost.accepted, lost.last_heard_age_s) == (0, 0, None)
        rig.restore()
        running.wait_for_state("connected")


def test_stopping_releases_every_file_and_socket(rig: Rig) -> None:
    before = len(os.listdir("/proc/self/fd"))
    with Running(rig.config) as running:
        running.wait_for_state("connected")
        running.sources.stop(5.0)
        assert len(os.listdir("/proc/self/fd")) == before
        running.sources.stop(5.0)  # once more does no harm
    rig.lose()
    with Running(rig.config) as running:
        running.wait_for_state("lost")
    assert running.health().state == "stopped"
    rig.restore()
    assert len(os.listdir("/proc/self/fd")) == before
