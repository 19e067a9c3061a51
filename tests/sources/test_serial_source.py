"""The serial source over pseudo-terminals: half lines, noise, unplugging, and finding USB adapters."""

import os
import pty
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import serial
from conftest import wait_until
from running_sources import Running, room
from serial.tools import list_ports

from tankwatch.clock import ManualClock
from tankwatch.config import Config
from tankwatch.errors import SourceError
from tankwatch.sources.serial import find_port


class Port:
    """A pseudo-terminal behind a symbolic link, as a USB adapter is behind /dev/serial/by-id."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.fds: list[int] = []
        self.plug()

    def plug(self) -> None:
        self.fds = list(pty.openpty())
        tty.setraw(self.fds[1])
        self.link.symlink_to(os.ttyname(self.fds[1]))

    def unplug(self) -> None:
        self.link.unlink(missing_ok=True)
        for fd in self.fds:
            os.close(fd)
        self.fds.clear()

    def write(self, data: bytes) -> None:
        os.write(self.fds[0], data)


@pytest.fixture
def port(tmp_path: Path) -> Iterator[Port]:
    port = Port(tmp_path / "bench")
    yield port
    port.unplug()


CHANNELS = [{"kind": "temperature"}, {"kind": "heater"}]


def bench(port: Port, channels: list[dict[str, Any]] | None = None) -> Config:
    return room({"kind": "serial", "port": str(port.link)}, channels or CHANNELS)


def connected(running: Running) -> None:
    """Wait until the port is open, and then as long as a probe pauses between two lines."""
    running.wait_for_state("connected")
    time.sleep(0.1)


def test_half_lines_noise_and_long_lines(port: Port) -> None:
    with Running(bench(port)) as running:
        connected(running)
        port.write(b"temperature=24.")
        time.sleep(0.05)
        assert running.values() == []
        port.write(b"81 heater=on\r\n")
        assert running.wait_for_values(2) == [24.81, 1.0]
        port.write(b"\xff\xfe\x00\x80\n")
        running.wait_for_refused("not UTF-8")
        port.write(b"probe ready\n\n\r\n")
        running.wait_for_refused("not a line of values")
        for _ in range(70):
            port.write(b"x" * 1000)
        port.write(b"\n")
        running.wait_for_refused("too long")
        port.write(b'[{"n":"temperature","u":"Cel","v":25.5},{"n":"heater","vb":false}]\n')
        assert running.wait_for_values(4)[2:] == [25.5, 0.0]
        health = running.health()
        assert (health.state, health.received, health.accepted) == ("connected", 5, 4)


@pytest.mark.parametrize(
    ("first", "values"),
    [
        (b"c=4.8\n", [24.8, 25.0]),
        (b'v":4.8}]\n', [24.8, 25.0]),
        (b'[{"n":"c","v":20}]\n', [20.0, 24.8, 25.0]),
    ],
)
def test_bytes_that_follow_the_opening_at_once_may_be_half_a_line(
    port: Port, first: bytes, values: list[float]
) -> None:
    clock = ManualClock()  # stands still: whatever comes, comes at once
    with Running(bench(port, [{"kind": "temperature", "name": "c"}]), clock) as running:
        running.wait_for_state("connected")
        port.write(first + b"c=24.8\nc=25.0\n")
        assert running.wait_for_values(len(values)) == values
        assert running.health().refused == {}


def test_after_a_pause_the_first_line_is_a_whole_one(port: Port) -> None:
    clock = ManualClock()
    with Running(bench(port), clock) as running:
        running.wait_for_state("connected")
        clock.advance(0.1)
        port.write(b"temperature=24.8\n")
        assert running.wait_for_values(1) == [24.8]


def test_a_port_that_stays_silent_is_opened_anew(port: Port) -> None:
    clock = ManualClock()
    with Running(bench(port), clock, lost_after_s=1000.0, stalled_after_s=1000.0) as running:
        running.wait_for_state("connected")
        clock.advance(299)
        port.write(b"temperature=24.8\n")
        running.wait_for_values(1)
        clock.advance(301)
        wait_until(lambda: running.health().restarts == 1, "the port opened anew")
        running.wait_for_state("connected")


def test_unplugged_and_replugged_it_goes_on(port: Port) -> None:
    with Running(bench(port)) as running:
        for round_number in range(2):
            connected(running)
            port.write(b"temperature=%d\n" % (24 + round_number))
            assert running.wait_for_values(round_number + 1)[-1] == 24 + round_number
            port.write(b"temperature=9")  # cut off in the middle of a line
            port.unplug()
            running.wait_for_loss(str(port.link))
            port.plug()
        connected(running)
        port.write(b"9.5 heater=1\ntemperature=26\n")  # no half line is left over from before
        assert running.wait_for_values(3) == [24.0, 25.0, 26.0]


def test_a_port_belongs_to_one_program(port: Port) -> None:
    with serial.Serial(str(port.link), exclusive=True), Running(bench(port)) as running:
        running.wait_for_loss("in use by another program")


def test_a_path_that_is_no_port(tmp_path: Path) -> None:
    plain = tmp_path / "plain"
    plain.write_text("24.5\n")
    for path, words in [(plain, "cannot be opened"), (tmp_path / "absent", "is it plugged in?")]:
        with Running(room({"kind": "serial", "port": str(path)}, CHANNELS)) as running:
            running.wait_for_loss(words)


def test_several_ports_at_once(tmp_path: Path) -> None:
    ports = [Port(tmp_path / name) for name in ("one", "two")]
    config = Config.model_validate(
        {
            "room": {"name": "Back room"},
            "source": [{"id": p.link.name, "kind": "serial", "port": str(p.link)} for p in ports],
            "tank": [
                {
                    "id": p.link.name,
                    "volume_l": 120.0,
                    "setpoint_c": 25.0,
                    "channel": [{"kind": "temperature", "source": p.link.name}],
                }
                for p in ports
            ],
        }
    )
    with Running(config) as running:
        for index in range(2):
            running.wait_for_state("connected", index)
        time.sleep(0.1)
        for n in range(20):
            for index, port in enumerate(ports):
                port.write(b"temperature=%d.%d\n" % (20 + index, n % 10))
        running.wait_for_values(40)
        for index, port in enumerate(ports):
            got = [r.value for r in running.readings if r.source == r.tank == port.link.name]
            assert got == [20 + index + (n % 10) / 10 for n in range(20)]
        ports[0].unplug()
        running.wait_for_state("lost", 0)
        assert running.health(1).state == "connected"
    ports[1].unplug()


def adapter(device: str, number: str | None, location: str = "1-1") -> SimpleNamespace:
    return SimpleNamespace(device=device, serial_number=number, vid=0x1A86, pid=0x7523, location=location)


@pytest.fixture
def plugged(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    def plug(*adapters: SimpleNamespace) -> None:
        monkeypatch.setattr(list_ports, "comports", lambda: list(adapters))

    return plug


def test_adapters_are_found_by_serial_number_or_by_socket(plugged: Callable[..., None]) -> None:
    plugged(adapter("/dev/ttyUSB0", "A1"), adapter("/dev/ttyUSB1", None, "1-2"), adapter("/dev/ttyS0", None))
    assert find_port("A1") == "/dev/ttyUSB0"
    assert find_port("1a86:7523@1-2") == "/dev/ttyUSB1"
    with pytest.raises(SourceError, match="A2: not plugged in; seen: A1"):
        find_port("A2")
    plugged(adapter("/dev/ttyUSB0", "0001"), adapter("/dev/ttyUSB1", "0001", "1-2"))
    with pytest.raises(SourceError, match="share this number"):
        find_port("0001")


def test_a_device_that_vanishes_during_the_search_is_looked_for_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def stumble() -> list[Any]:
        return [int(None, 16)]  # type: ignore[call-overload]

    monkeypatch.setattr(list_ports, "comports", stumble)
    with pytest.raises(SourceError, match="looking again"):
        find_port("A1")


def test_a_usb_adapter_is_followed_to_its_new_name(port: Port, plugged: Callable[..., None]) -> None:
    plugged()
    with Running(room({"kind": "serial", "usb_serial": "A1"}, CHANNELS)) as running:
        running.wait_for_loss("A1: not plugged in")
        plugged(adapter(os.path.realpath(port.link), "A1"))
        connected(running)
        port.write(b"temperature=24.5\n")
        assert running.wait_for_values(1) == [24.5]
