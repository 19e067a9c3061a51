"""The MicroPython probes in the real interpreter: real sockets and broker, pins stood in for by files."""

import json
import os
import socket
import subprocess
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import serial
from conftest import CheckRow, MosquittoBroker, free_port, wait_until
from firmware_tools import EXAMPLES, HERE, Listener, clean_environment, own_tool, run_tool

from tankwatch.config import ChannelConfig
from tankwatch.decode import lines
from tankwatch.decode.channel import BoundChannel
from tankwatch.decode.decoder import Decoder
from tankwatch.decode.w1_slave import crc8

PROBES = EXAMPLES / "micropython"
POWER_ON = bytes.fromhex("50054b467fff0c10")  # data sheet, figure 7: the scratchpad after power-on
SOURCES = sorted(PROBES.rglob("*.py"))


def scratchpad(celsius: float) -> bytes:
    pad = round(celsius * 16).to_bytes(2, "little", signed=True) + bytes.fromhex("4b467fff0c10")
    return pad + bytes([crc8(pad)])


def _rom(serial_number: int) -> str:
    rom = bytes([0x28]) + serial_number.to_bytes(6, "little")
    return (rom + bytes([crc8(rom)])).hex()


ONE, TWO, THREE = _rom(0x15AE1), _rom(0x25AE1), _rom(0x35AE1)
NAMES = {ONE: "28-000000015ae1", TWO: "28-000000025ae1", THREE: "28-000000035ae1"}


def _set_pins(folder: Path, sensors: dict[str, bytes], *, heater: bool = False, light: bool = False) -> None:
    adc = {str(pin): 60_000 for pin in (*((32, 26) if heater else ()), *((33, 27) if light else ()))}
    state = {"adc": adc, "sensors": {rom: pad.hex() for rom, pad in sensors.items()}}
    (folder / "new").write_text(json.dumps(state))
    (folder / "new").replace(folder / "STATE.json")  # never half written


def _settings(folder: Path, probe: str, **values: Any) -> None:
    """Write settings.py: the example's, with `values` in place of its own."""
    text = (PROBES / probe / "settings_example.py").read_text()
    text += "".join(f"{name} = {value!r}\n" for name, value in values.items())
    (folder / "settings.py").write_text(text)


def _start(folder: Path, probe: str, **options: Any) -> "subprocess.Popen[bytes]":
    path = f"{folder}:{HERE / 'micropython_fakes'}:{PROBES / 'lib'}:.frozen"
    return subprocess.Popen(
        [own_tool("micropython"), str(PROBES / probe / "main.py")],
        cwd=folder,
        env=clean_environment(MICROPYPATH=path),
        **options,
    )


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Callable[..., "subprocess.Popen[bytes]"]]:
    """Start a probe in the test's folder; it ends with the test."""
    running: list[subprocess.Popen[bytes]] = []

    def start_probe(probe: str, **options: Any) -> "subprocess.Popen[bytes]":
        running.append(_start(tmp_path, probe, **options))
        return running[-1]

    yield start_probe
    for process in running:
        process.kill()
        process.wait()


def _wifi_settings(folder: Path, port: int, **values: Any) -> None:
    _settings(
        folder,
        "wifi_probe",
        **{
            "MQTT_HOST": "127.0.0.1", "MQTT_PORT": port, "TOPIC": "fish/t01", "NTP_HOST": "127.0.0.1",
            "NTP_PORT": free_port(), "INTERVAL_S": 1, "RETRY_S": 1, **values,
        },
    )  # fmt: skip


def _values(payload: bytes) -> dict[str, Any]:
    """Return name and value of each record, without the base record."""
    records = [record for record in json.loads(payload) if "n" in record]
    return {record["n"]: record.get("v", record.get("vb", record.get("vs"))) for record in records}


@pytest.mark.parametrize("architecture", ["xtensawin", "armv6m"])  # ESP32, Pico
def test_every_file_compiles(architecture: str, tmp_path: Path) -> None:
    assert len(SOURCES) >= 9
    for source in SOURCES:
        run_tool(own_tool("mpy-cross"), f"-march={architecture}", source, "-o", tmp_path / "out.mpy")


def test_decoding_agrees_with_the_published_rows(
    tmp_path: Path, format_checks: dict[str, dict[str, Any]], check_row: Callable[[str], CheckRow]
) -> None:
    """DS18B20 data sheet table 1, Maxim Application Note 27, catalogue of CRC algorithms."""
    table = format_checks["ds18b20.table"]
    pads = [scratchpad(celsius).hex() for celsius in table["expected"]]
    for pad, register in zip(pads, table["inputs"]["hex"], strict=True):
        assert pad[2:4] + pad[0:2] == register.lower()
    crc_rows = [row for key, row in format_checks.items() if key.startswith("crc8.")]
    crc_inputs = [row["inputs"]["bytes_hex"].replace(" ", "") for row in crc_rows]
    script = (
        "import json, sensors, senml\n"
        f"pads = {pads!r}\n"
        f"crcs = {crc_inputs!r}\n"
        "print(json.dumps([[sensors.decode(bytes.fromhex(p)) for p in pads],"
        " [sensors.crc8(bytes.fromhex(c)) for c in crcs], senml.crc16('123456789')]))\n"
    )
    done = subprocess.run(
        [own_tool("micropython"), "-c", script],
        env=clean_environment(MICROPYPATH=f"{PROBES / 'lib'}:.frozen"),
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=20,
        check=True,
    )
    decoded, crcs, crc16 = json.loads(done.stdout)
    assert decoded == [[None, "power-on"] if c == 85 else [c, None] for c in table["expected"]]
    assert crcs == [row["expected"] for row in crc_rows]
    assert crc16 == check_row("crc16.IBM-3740").expected


def test_wifi_probe_at_a_real_broker_and_its_last_will(
    tmp_path: Path, mosquitto_broker: MosquittoBroker, start: Callable[..., "subprocess.Popen[bytes]"]
) -> None:
    damaged = bytearray(scratchpad(24.0))
    damaged[0] ^= 1
    pads = {
        ONE: scratchpad(24.8125),
        TWO: POWER_ON + bytes([crc8(POWER_ON)]),
        THREE: bytes(damaged),
        _rom(0x45AE1): bytes(9),
    }
    _set_pins(tmp_path, pads, heater=True)
    _wifi_settings(tmp_path, mosquitto_broker.port)
    with Listener(mosquitto_broker.port) as heard:
        probe = start("wifi_probe")
        wait_until(lambda: len(heard.on("fish/t01")) >= 2, "two packs")
        assert _values(heard.on("fish/t01")[0]) == {
            f"{NAMES[ONE]}/temperature": 24.8125,
            f"{NAMES[TWO]}/fault": "power-on",
            f"{NAMES[THREE]}/fault": "checksum",
            "28-000000045ae1/fault": "wire",
            "heater": True,
            "light": False,
        }
        assert heard.on("fish/t01/link") == [b"online"]
        probe.kill()
        wait_until(lambda: heard.on("fish/t01/link") == [b"online", b"offline"], "the last will")
    with Listener(mosquitto_broker.port) as later:
        wait_until(lambda: later.on("fish/t01/link") == [b"offline"], "the will, retained")


def _serve_time(sock: socket.socket, epoch_s: int) -> None:
    """Answer one request as a time server does (SNTP, RFC 4330 section 4)."""
    _, sender = sock.recvfrom(48)
    answer = bytearray(48)
    answer[0], answer[1] = 0x1C, 1  # version 3, server; stratum 1
    answer[40:44] = (epoch_s + 2_208_988_800).to_bytes(4, "big")
    sock.sendto(bytes(answer), sender)


@pytest.mark.parametrize("has_time", [True, False])
def test_packs_of_an_outage_arrive_under_their_own_times(
    has_time: bool,
    tmp_path: Path,
    make_mosquitto: Callable[..., MosquittoBroker],
    start: Callable[..., "subprocess.Popen[bytes]"],
) -> None:
    broker = make_mosquitto()
    _set_pins(tmp_path, {ONE: scratchpad(24.5)})
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as time_server:
        time_server.bind(("127.0.0.1", 0))
        port = time_server.getsockname()[1] if has_time else free_port()
        if has_time:
            args = (time_server, round(time.time()))
            threading.Thread(target=_serve_time, args=args, daemon=True).start()
        broker.stop()
        _wifi_settings(tmp_path, broker.port, NTP_PORT=port)
        start("wifi_probe", stdout=subprocess.DEVNULL)
        time.sleep(2.2)  # packs come up meanwhile and wait: the passing of time itself is what is tested here
        broker.start()
        channel = BoundChannel(
            "t01", ChannelConfig.model_validate({"kind": "temperature", "source": "s"})
        )  # fmt: skip
        with Listener(broker.port) as heard:
            wait_until(lambda: len(heard.on("fish/t01")) >= 4, "four packs", timeout_s=15)
            arrived_s = time.time()
    stamps = []
    for payload in heard.on("fish/t01")[:4]:
        assert ("-" in payload.decode().split("},")[0]) is not has_time or b'"bt": 0' in payload
        decoded = Decoder("s", [channel]).decode(payload, arrived_s)
        assert [reading.value for reading in decoded.readings] == [24.5]
        stamps.append(decoded.readings[0].time_s)
    assert stamps == sorted(stamps)
    assert 2.0 <= stamps[-1] - stamps[0] <= 12.0
    assert abs(stamps[-1] - arrived_s) < 8.0


def test_pico_writes_lines_with_checksums(
    tmp_path: Path, start: Callable[..., "subprocess.Popen[bytes]"]
) -> None:
    _set_pins(tmp_path, {ONE: scratchpad(25.5)}, heater=True, light=True)
    probe_side, far_side = os.openpty()
    tty.setraw(far_side)
    try:
        with serial.Serial(os.ttyname(far_side), 115_200, timeout=5) as port:
            start("pico_serial", stdout=probe_side)
            line = port.readline()
    finally:
        os.close(probe_side)
        os.close(far_side)
    assert b"*" in line
    assert _values(lines.without_checksum(line)) == {
        f"{NAMES[ONE]}/temperature": 25.5,
        "heater": True,
        "light": True,
    }
    channel = BoundChannel("t01", ChannelConfig.model_validate({"kind": "temperature", "source": "s"}))
    decoded = Decoder("s", [channel], by_line=True).decode(line.rstrip(), 1_790_000_000.0)
    assert [reading.value for reading in decoded.readings] == [25.5]


def test_sleeping_probe_sends_batches(
    tmp_path: Path, mosquitto_broker: MosquittoBroker, start: Callable[..., "subprocess.Popen[bytes]"]
) -> None:
    _settings(
        tmp_path,
        "sleeping_probe",
        MQTT_HOST="127.0.0.1", MQTT_PORT=mosquitto_broker.port, TOPIC="fish/t01", INTERVAL_S=60, SEND_EVERY=3,
    )  # fmt: skip
    with Listener(mosquitto_broker.port) as heard:
        for wake in range(3):
            _set_pins(tmp_path, {ONE: scratchpad(24.0 + wake)})
            assert heard.on("fish/t01") == []
            probe = start("sleeping_probe", stdout=subprocess.PIPE)
            out, _ = probe.communicate(timeout=20)
            assert probe.returncode == 0
            assert 50_000 < int(out.split()[2]) <= 60_000
        wait_until(lambda: len(heard.on("fish/t01")) == 3, "the batch")
        wait_until(lambda: heard.on("fish/t01/link") == [b"asleep"], "word that it sleeps")
    channel = BoundChannel("t01", ChannelConfig.model_validate({"kind": "temperature", "source": "s"}))
    readings = [Decoder("s", [channel]).decode(p, 1_790_000_000.0).readings[0] for p in heard.on("fish/t01")]
    assert [r.value for r in readings] == [24.0, 25.0, 26.0]
    assert [r.time_s - 1_790_000_000.0 for r in readings] == [-120.0, -60.0, 0.0]
    assert json.loads((tmp_path / "waiting.txt").read_text()) == []
