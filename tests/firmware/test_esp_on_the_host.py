"""The ESP sketch and the probe library as programs of this machine, with the sanitizers watching.

The pins, the 1-wire bus and the Wi-Fi are stood in for by a shim; the broker and the sockets are real.
"""

import functools
import json
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from conftest import CheckRow, MosquittoBroker, need_program, wait_until
from firmware_tools import EXAMPLES, HERE, LIBRARY, Listener, build_folder, clean_environment, run_tool

from tankwatch.config import ChannelConfig
from tankwatch.decode.channel import BoundChannel
from tankwatch.decode.decoder import Decoder
from tankwatch.decode.w1_slave import crc8

SHIM = HERE / "esp_shim"
FLAGS = (
    "-std=gnu++17", "-g", "-O1", "-Wall", "-Wextra", "-Werror", "-fsanitize=address,undefined",
    "-fno-sanitize-recover=all", f"-I{SHIM}", f"-I{LIBRARY}",
)  # fmt: skip


def _pad(celsius: float) -> bytes:
    pad = round(celsius * 16).to_bytes(2, "little", signed=True) + bytes.fromhex("4b467fff0c10")
    return pad + bytes([crc8(pad)])


def _rom(serial_number: int) -> str:
    rom = bytes([0x28]) + serial_number.to_bytes(6, "little")
    return (rom + bytes([crc8(rom)])).hex()


@functools.cache
def _library_program() -> Path:
    program = build_folder() / "rows"
    run_tool(need_program("g++"), *FLAGS, SHIM / "rows.cpp", "-o", program)
    return program


def _ask(*questions: str) -> list[str]:
    """Return the library's answer to each question."""
    done = subprocess.run(
        [_library_program()],
        input="\n".join(questions),
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout.split()


def test_registers_and_checksums(
    format_checks: dict[str, dict[str, Any]], check_row: Callable[[str], CheckRow]
) -> None:
    """DS18B20 data sheet table 1, Maxim Application Note 27, catalogue of parametrised CRC algorithms."""
    table = format_checks["ds18b20.table"]
    answers = _ask(*(f"pad {_pad(celsius).hex()}" for celsius in table["expected"]))
    assert [a if a == "power-on" else float(a) for a in answers] == [
        "power-on" if celsius == 85 else celsius for celsius in table["expected"]
    ]
    rows = [row for key, row in format_checks.items() if key.startswith("crc8.")]
    asked = [f"crc8 {row['inputs']['bytes_hex'].replace(' ', '')}" for row in rows]
    assert [int(a) for a in _ask(*asked)] == [row["expected"] for row in rows]
    assert [int(a) for a in _ask("crc16 123456789")] == [check_row("crc16.IBM-3740").expected]


def test_scratchpads_that_are_refused() -> None:
    turned = bytearray(_pad(24.0))
    turned[1] ^= 0x10
    strange = bytes.fromhex("80014b46000f0c10")
    pads = (bytes(9), b"\xff" * 9, bytes(turned), strange + bytes([crc8(strange)]))
    assert _ask(*(f"pad {pad.hex()}" for pad in pads)) == ["wire", "gone", "checksum", "checksum"]


def test_bits_below_the_resolution_are_left_out() -> None:
    """DS18B20 data sheet, table 2 and figure 8: at 9 bits the three lowest bits are undefined."""
    nine_bits = bytes.fromhex("87014b461fff0c10")
    assert _ask(f"pad {(nine_bits + bytes([crc8(nine_bits)])).hex()}") == ["24"]


def test_thermistor_follows_the_table_of_a_maker(check_row: Callable[[str], CheckRow]) -> None:
    row = check_row("ntc.inv")
    answers = _ask(*(f"ratio {ratio}" for ratio in row.inputs["ratio"]))
    row.agrees(*(float(answer) for answer in answers))
    other = check_row("ntc.third")  # another maker's table, read with the same curve
    other.agrees(*(float(a) for a in _ask(*(f"ratio {ohm / 10_000}" for ohm in other.inputs["R_ohm"]))))
    assert _ask("share 0.5")[0].startswith("25.0")
    assert _ask("share 0.99", "share 0.01") == ["open", "shorted"]


@functools.cache
def _sketch(port: int, folder: Path) -> Path:
    text = (EXAMPLES / "esp_wifi" / "settings_example.h").read_text()
    for old, new in (("192.0.2.10", "127.0.0.1"), ("MQTT_PORT 1883", f"MQTT_PORT {port}")):
        assert old in text
        text = text.replace(old, new)
    (folder / "settings.h").write_text(text)
    program = folder / "sketch"
    sketch = EXAMPLES / "esp_wifi" / "esp_wifi.ino"
    run_tool(
        need_program("g++"), *FLAGS, f"-I{folder}", "-DINTERVAL_MS=1000UL", "-DRETRY_MS=500UL",
        f'-DSKETCH="{sketch}"', SHIM / "main.cpp", "-o", program,
    )  # fmt: skip
    return program


def _set_pins(folder: Path, sensors: dict[str, bytes], *, heater: bool = False) -> None:
    lines = [f"adc 32 {4000 if heater else 100}", "adc 33 100"]
    lines += [f"sensor {rom} {pad.hex()}" for rom, pad in sensors.items()]
    (folder / "new").write_text("\n".join(lines) + "\n")
    (folder / "new").replace(folder / "STATE")


@pytest.fixture
def run_sketch(tmp_path: Path) -> Iterator[Callable[[int], "subprocess.Popen[str]"]]:
    running: list[subprocess.Popen[str]] = []

    def start(port: int) -> "subprocess.Popen[str]":
        running.append(
            subprocess.Popen(
                [_sketch(port, tmp_path)],
                cwd=tmp_path,
                env=clean_environment(),
                stderr=subprocess.PIPE,
                text=True,
            )
        )
        return running[-1]

    yield start
    for process in running:
        process.kill()
        process.communicate()


def test_sketch_at_a_real_broker(
    tmp_path: Path, mosquitto_broker: MosquittoBroker, run_sketch: Callable[[int], "subprocess.Popen[str]"]
) -> None:
    power_on = bytes.fromhex("50054b467fff0c10")
    sensors = {_rom(0x15AE1): _pad(24.8125), _rom(0x25AE1): power_on + bytes([crc8(power_on)])}
    _set_pins(tmp_path, sensors, heater=True)
    with Listener(mosquitto_broker.port) as heard:
        process = run_sketch(mosquitto_broker.port)
        wait_until(lambda: len(heard.on("fish/t01")) >= 2, "two packs", timeout_s=20)
        records = json.loads(heard.on("fish/t01")[0])
        assert abs(records[0]["bt"] - time.time()) < 30
        assert records[1:] == [
            {"n": "28-000000015ae1/temperature", "u": "Cel", "v": 24.8125},
            {"n": "28-000000025ae1/fault", "vs": "power-on"},
            {"n": "heater", "vb": True},
            {"n": "light", "vb": False},
        ]
        process.terminate()
        _, complaints = process.communicate(timeout=20)
        assert (process.returncode, complaints) == (0, ""), "the sanitizers complain"
        wait_until(lambda: heard.on("fish/t01/link") == [b"online", b"offline"], "the last will")


def test_sketch_keeps_packs_through_an_outage(
    tmp_path: Path, mosquitto_broker: MosquittoBroker, run_sketch: Callable[[int], "subprocess.Popen[str]"]
) -> None:
    _set_pins(tmp_path, {_rom(0x15AE1): _pad(24.5)})
    mosquitto_broker.stop()
    run_sketch(mosquitto_broker.port)
    time.sleep(2.5)  # packs come up meanwhile and wait: the passing of time itself is what is tested here
    mosquitto_broker.start()
    with Listener(mosquitto_broker.port) as heard:
        wait_until(lambda: len(heard.on("fish/t01")) >= 3, "the packs that waited", timeout_s=20)
        arrived_s = time.time()
    channel = BoundChannel("t01", ChannelConfig.model_validate({"kind": "temperature", "source": "s"}))
    readings = [Decoder("s", [channel]).decode(p, arrived_s).readings[0] for p in heard.on("fish/t01")[:3]]
    stamps = [reading.time_s for reading in readings]
    assert {reading.value for reading in readings} == {24.5}
    assert stamps == sorted(stamps)
    assert 1.0 <= stamps[2] - stamps[0] <= 8.0
