"""The AVR firmware in a simulated board that stands still between steps: what it writes of which inputs."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import serial
from conftest import CheckRow
from firmware_tools import Board, avr_firmware, thermistor_ohm

from tankwatch.decode import lines

FIRST, SECOND = "28-000000015ae1", "28-000000025ae1"
Records = dict[str, Any]


def _records(line: bytes) -> Records:
    """Return name and value of each record; the line must bear a right checksum."""
    assert b"*" in line
    pack = json.loads(lines.without_checksum(line))
    return {record["n"]: record.get("v", record.get("vb", record.get("vs"))) for record in pack}


class _Stepped:
    """A board and its port: runs to the next report and returns it."""

    def __init__(self, board: Board, port: serial.Serial) -> None:
        self.board = board
        self._port = port
        board.command("run 500")  # from now on reports come well inside a turn of two seconds

    def report(self, *commands: str, late: tuple[str, ...] = ()) -> Records:
        """Carry out `commands`, and the `late` ones between conversion and report."""
        for command in commands:
            self.board.command(command)
        self.board.command("run 1300")
        for command in late:
            self.board.command(command)
        self.board.command("run 700")
        return _records(self._port.readline())


def _stepped(firmware: str, port: Path, sensors: int) -> Iterator[_Stepped]:
    with (
        Board(avr_firmware(firmware, 2000), port, sensors=sensors) as board,
        serial.Serial(str(port), 115_200, timeout=5) as terminal,
    ):
        yield _Stepped(board, terminal)


@pytest.fixture
def ds18b20(tmp_path: Path) -> Iterator[_Stepped]:
    yield from _stepped("avr_ds18b20", tmp_path / "port", 2)


@pytest.fixture
def thermistor(tmp_path: Path) -> Iterator[_Stepped]:
    yield from _stepped("avr_thermistor", tmp_path / "port", 0)


def test_two_sensors_by_their_serial_numbers(ds18b20: _Stepped) -> None:
    assert ds18b20.report("celsius 0 24.8125", "celsius 1 -10.125", "input 1 4000", "input 2 1000") == {
        f"{FIRST}/temperature": 24.8125,
        f"{SECOND}/temperature": -10.125,
        "heater": True,
        "light": False,
    }


def test_registers_of_the_data_sheet(ds18b20: _Stepped, format_checks: dict[str, dict[str, Any]]) -> None:
    row = format_checks["ds18b20.table"]  # DS18B20 data sheet, table 1
    checked = 0
    for celsius in row["expected"]:
        if celsius != 85:
            found = ds18b20.report(f"celsius 0 {celsius}")
            assert found[f"{FIRST}/temperature"] == celsius
            checked += 1
    assert checked == 9


def test_damaged_bytes_give_no_temperature(ds18b20: _Stepped) -> None:
    found = ds18b20.report("damage 0 1")
    assert found[f"{FIRST}/fault"] == "checksum"
    assert f"{FIRST}/temperature" not in found
    assert found[f"{SECOND}/temperature"] == 25.0


def test_power_on_value_gives_no_temperature(ds18b20: _Stepped) -> None:
    found = ds18b20.report("celsius 0 24.5", late=("plug 0 0", "plug 0 1"))
    assert found[f"{FIRST}/fault"] == "power-on"
    assert f"{FIRST}/temperature" not in found
    assert ds18b20.report()[f"{FIRST}/temperature"] == 24.5


def test_sensor_that_goes_and_comes_back(ds18b20: _Stepped) -> None:
    assert ds18b20.report(late=("plug 1 0",))[f"{SECOND}/fault"] == "gone"
    assert set(ds18b20.report()) == {f"{FIRST}/temperature", "heater", "light"}
    assert ds18b20.report("plug 1 1", "celsius 1 26.5")[f"{SECOND}/temperature"] == 26.5


def test_dead_bus_is_told(ds18b20: _Stepped) -> None:
    assert ds18b20.report("ground 1")["fault"] == "no-sensor"
    assert ds18b20.report("ground 0")[f"{FIRST}/temperature"] == 25.0
    assert ds18b20.report(late=("ground 1",))[f"{FIRST}/fault"] == "gone"
    assert ds18b20.report("ground 0", "plug 0 0", "plug 1 0")["fault"] == "no-sensor"


def test_lamps_change_only_beyond_both_levels(thermistor: _Stepped) -> None:
    def lamps(*commands: str) -> tuple[bool, bool]:
        found = thermistor.report(*commands)
        return found["heater"], found["light"]

    assert lamps("input 1 0", "input 2 0") == (False, False)
    assert lamps("input 1 2500") == (False, False)
    assert lamps("input 1 3500") == (True, False)
    assert lamps("input 1 2500", "input 2 4800") == (True, True)
    assert lamps("input 1 1500") == (False, True)


def test_thermistor_over_the_range_of_its_table(
    thermistor: _Stepped, check_row: Callable[[str], CheckRow]
) -> None:
    """The table that a maker prints; beyond 40 °C one code of the converter is more than the tolerance."""
    row = check_row("ntc.fwd")
    for celsius, ratio in zip(row.inputs["T_C"], row.expected, strict=True):
        assert thermistor_ohm(celsius) == pytest.approx(10_000 * ratio, rel=row.tolerance)
        if 0 <= celsius <= 40:
            millivolts = round(5000 * ratio / (ratio + 1))
            found = thermistor.report(f"input 0 {millivolts}")["temperature"]
            assert found == pytest.approx(celsius, abs=0.15)


@pytest.mark.parametrize(("millivolts", "fault"), [(5000, "open"), (0, "shorted")])
def test_broken_thermistor_gives_no_temperature(thermistor: _Stepped, millivolts: int, fault: str) -> None:
    found = thermistor.report(f"input 0 {millivolts}")
    assert found["fault"] == fault
    assert "temperature" not in found
