"""The 1-wire source on a tree of files as the kernel's driver shows it."""

from collections.abc import Callable
from pathlib import Path

import pytest
from conftest import wait_until
from running_sources import Running, room

from tankwatch.config import Config
from tankwatch.decode.w1_slave import crc8
from tankwatch.reading import Channel

FIRST, SECOND = "28-000000015ae1", "28-0000000280f3"


def text(value: float, *, bad: bool = False) -> str:
    pad = round(value * 16).to_bytes(2, "little", signed=True) + bytes.fromhex("4b467fff0c10")
    crc = crc8(pad)
    shown = (pad + bytes([crc ^ bad])).hex(" ")
    return f"{shown} : crc={crc:02x} {'NO' if bad else 'YES'}\n{shown} t={int(value * 1000)}\n"


class Bus:
    def __init__(self, root: Path) -> None:
        self.root = root
        (root / "w1_bus_master1").mkdir(parents=True)

    def put(self, name: str, content: str) -> None:
        folder = self.root / name
        folder.mkdir(exist_ok=True)
        (folder / ".new").write_text(content)
        (folder / ".new").replace(folder / "w1_slave")

    def remove(self, name: str) -> None:
        (self.root / name / "w1_slave").unlink()
        (self.root / name).rmdir()


@pytest.fixture
def bus(tmp_path: Path) -> Bus:
    return Bus(tmp_path / "devices")


def bus_room(bus: Bus, **names: str) -> Config:
    channels = [{"kind": kind, "name": name, "offset_c": 0.5} for kind, name in names.items()]
    config = room({"kind": "onewire", "path": str(bus.root)}, channels)
    # Quicker than a configuration may ask for, to keep the test short.
    return config.model_copy(update={"source": (config.source[0].model_copy(update={"interval_s": 0.02}),)})


def test_several_sensors_are_read_each_round(bus: Bus) -> None:
    bus.put(FIRST, text(24.5))
    bus.put(SECOND, text(19.0625))
    with Running(bus_room(bus, temperature=FIRST, air=SECOND)) as running:
        running.wait_for_values(4)
        assert [(r.channel, r.value) for r in running.readings[:4]] == [
            (Channel.TEMPERATURE, 25.0),
            (Channel.AIR, 19.5625),
        ] * 2
        assert "2 of 2 sensors" in running.health().detail
        bus.remove(SECOND)
        wait_until(lambda: "1 of 2 sensors" in running.health().detail, "a sensor less")
        running.wait_for_refused("no answer")
        assert running.health().state == "connected"


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        ("", "no answer"),
        (text(24.5, bad=True), "bad checksum"),
        (f"{'00 ' * 9}: crc=00 YES\n{'00 ' * 9}t=0\n", "bus shorted"),
        ("junk\n", "not a line of values"),
        ("\x1b[2J", "not a line of values"),
    ],
)
def test_fault_forms_are_counted_and_give_no_reading(bus: Bus, content: str, reason: str) -> None:
    bus.put(FIRST, content)
    with Running(bus_room(bus, temperature=FIRST)) as running:
        health = running.wait_for_refused(reason, count=2)
        assert health.last_refused.startswith(f"{FIRST}: {reason}")
        assert health.last_refused.isprintable()
        assert running.values() == []
        bus.put(FIRST, text(24.5))
        assert running.wait_for_values(1)[0] == 25.0


@pytest.mark.parametrize("code", [85.0, 127.9375])
def test_fault_codes_come_through_for_the_watchdog(bus: Bus, code: float) -> None:
    """85: DS18B20 data sheet, table 1, power-on value; the other is what the driver gives at low supply."""
    bus.put(FIRST, text(code))
    with Running(bus_room(bus, temperature=FIRST)) as running:
        assert running.wait_for_values(1)[0] == code


@pytest.mark.parametrize(
    "lose", [lambda bus: bus.remove(FIRST), lambda bus: bus.root.rename(bus.root.parent / "gone")]
)
def test_an_empty_or_absent_bus_is_lost(bus: Bus, lose: Callable[[Bus], None]) -> None:
    bus.put(FIRST, text(24.5))
    with Running(bus_room(bus, temperature=FIRST)) as running:
        running.wait_for_state("connected")
        lose(bus)
        detail = running.wait_for_state("lost").detail
        assert "none of the sensors is on the bus" in detail or "no 1-wire bus" in detail
        bus.root.mkdir(exist_ok=True)
        bus.put(FIRST, text(25.5))
        wait_until(lambda: running.values()[-1:] == [26.0], "the sensor's return")
        running.wait_for_state("connected")
