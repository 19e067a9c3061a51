"""`tankwatch listen` as a user runs it: at a real broker full of other things, at a port, at a 1-wire bus."""

import json
import os
import subprocess
import sys
import threading
import time
import tty
from pathlib import Path
from typing import Any

import pytest
from conftest import MosquittoBroker, free_port

from tankwatch.config import load
from tankwatch.decode.lines import checksum
from tankwatch.decode.w1_slave import crc8
from tankwatch.sources.source_set import channels_of
from tankwatch.sources.topics import TopicTable


def _listen(folder: Path, *arguments: str) -> "subprocess.Popen[str]":
    environment = {key: value for key, value in os.environ.items() if not key.startswith("TANKWATCH_")}
    return subprocess.Popen(
        [sys.executable, "-m", "tankwatch", "listen", *arguments],
        cwd=folder,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def _unrelated(number: int, turn: int) -> tuple[str, str | bytes]:
    """Return a message on one of 200 topics that are no tank's."""
    kinds: tuple[tuple[str, str | bytes], ...] = (
        (f"house/{number}/power", f"{40 + turn * 1.5}"),
        (f"house/{number}/humidity", f"{52.0 + turn / 10}"),
        (f"house/{number}/switch", "on" if turn % 2 else "off"),
        (f"node/{number}/uptime", str(1000 + turn)),
        (f"node/{number}/rssi", str(-60 - turn)),
        (f"weather/{number}/outdoor/temperature", f"{14 + turn / 10}"),
        (f"server/{number}/cpu/temp", f"{33 + turn / 10}"),
        (f"node/{number}/state", json.dumps({"battery": 3.7, "seq": turn, "fw": "1.2"})),
        (f"camera/{number}/frame", b"\xff\xd8\xff\x00" * 20),
        (f"heating/{number}/setpoint", "21.5"),
    )
    return kinds[number % len(kinds)]


def test_among_200_topics_the_tanks_are_found(tmp_path: Path, mosquitto_broker: MosquittoBroker) -> None:
    def publish(turn: int) -> None:
        pack = [
            {"n": "28-000000015ae1/temperature", "u": "Cel", "v": 24.5 + turn / 100},
            {"n": "heater", "vb": True},
        ]
        messages = [_unrelated(number, turn) for number in range(200)]
        messages += [
            ("fish/t01", json.dumps(pack)),
            (
                "rack/b/report",
                json.dumps({"water": {"celsius": 26.1 + turn / 100}, "relay": {"heater": "off"}}),
            ),
            ("shelf/t09/temp", f"{77.2 + turn / 10:.1f} F"),
        ]
        mosquitto_broker.publish_many(messages, qos=0)

    process = _listen(tmp_path, "--broker", f"127.0.0.1:{mosquitto_broker.port}", "--for", "4")
    ended = threading.Event()

    def keep_publishing() -> None:
        turn = 0
        while not ended.wait(0.25):
            publish(turn)
            turn += 1

    thread = threading.Thread(target=keep_publishing)
    thread.start()
    out, narration = process.communicate(timeout=60)
    ended.set()
    thread.join()
    assert process.returncode == 0, narration
    (tmp_path / "tankwatch.toml").write_text(out)
    config = load(tmp_path / "tankwatch.toml")
    kinds = sorted(sorted(channel.kind.value for channel in tank.channel) for tank in config.tank)
    assert kinds == [["heater", "temperature"], ["heater", "temperature"], ["temperature"]]
    table = TopicTable("broker", channels_of("broker", config))
    read: list[float] = []
    for topic, payload in (
        ("fish/t01", b'[{"n":"28-000000015ae1/temperature","u":"Cel","v":24.5}]'),
        ("rack/b/report", b'{"water": {"celsius": 26.1}, "relay": {"heater": "off"}}'),
        ("shelf/t09/temp", b"77.0 F"),
    ):
        decoded = table.decoder(topic).decode(payload, time.time())
        read += [reading.value for reading in decoded.readings if reading.channel.value == "temperature"]
    assert read == [24.5, 26.1, pytest.approx(25.0)]
    assert "weather/5/outdoor/temperature" in narration
    assert "a temperature of something else" in narration
    assert "camera/8/frame: cannot be read" in narration


def test_a_serial_port(tmp_path: Path) -> None:
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    port = os.ttyname(theirs)
    pack = b'[{"n":"temperature","u":"Cel","v":24.81},{"n":"heater","vb":true}]'
    process = _listen(tmp_path, "--serial", port, "--for", "2.5", "--json")
    ended = threading.Event()

    def keep_writing() -> None:
        while not ended.wait(0.2):
            os.write(ours, pack + b"*%04X\r\n" % checksum(pack))

    thread = threading.Thread(target=keep_writing)
    thread.start()
    out, narration = process.communicate(timeout=60)
    ended.set()
    thread.join()
    os.close(ours)
    os.close(theirs)
    assert process.returncode == 0, narration
    found: dict[str, Any] = json.loads(out)
    assert [(s["name"], s["seems"]) for s in found["streams"]] == [
        ("temperature", "water temperature"),
        ("heater", "heater, on or off"),
    ]
    assert 0.1 < found["streams"][0]["interval_s"] < 0.5
    assert f'port = "{port}"' in found["configuration"]


def test_a_one_wire_bus(tmp_path: Path) -> None:
    pad = (392).to_bytes(2, "little") + bytes.fromhex("4b467fff0c10")
    text = " ".join(f"{byte:02x}" for byte in (*pad, crc8(pad)))
    sensor = tmp_path / "devices" / "28-000000015ae1"
    sensor.mkdir(parents=True)
    (sensor / "w1_slave").write_text(f"{text} : crc={crc8(pad):02x} YES\n{text} t=24500\n")
    process = _listen(tmp_path, "--onewire", str(tmp_path / "devices"), "--for", "1.5")
    out, narration = process.communicate(timeout=60)
    assert process.returncode == 0, narration
    (tmp_path / "tankwatch.toml").write_text(out)
    (channel,) = load(tmp_path / "tankwatch.toml").tank[0].channel
    assert channel.name == "28-000000015ae1"


def test_a_broker_that_is_not_there(tmp_path: Path) -> None:
    process = _listen(tmp_path, "--broker", f"127.0.0.1:{free_port()}", "--for", "1")
    out, narration = process.communicate(timeout=60)
    assert (process.returncode, out) == (1, "")
    assert "connection refused; is the broker running?" in narration


@pytest.mark.parametrize("broker", ["host:0", "host:x", "host:99999"])
def test_a_wrong_address_is_wrong_usage(broker: str, tmp_path: Path) -> None:
    process = _listen(tmp_path, "--broker", broker, "--for", "1")
    _, narration = process.communicate(timeout=60)
    assert process.returncode == 2
    assert "expected HOST or HOST:PORT" in narration
