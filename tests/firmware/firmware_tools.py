"""Builds the firmware examples once a run, and drives a simulated board. A missing tool skips the test."""

import atexit
import functools
import math
import os
import shutil
import subprocess
import sys
import tempfile
import threading
from pathlib import Path
from typing import Self

import paho.mqtt.client as paho
import pytest
from conftest import need_file, need_program
from paho.mqtt.enums import CallbackAPIVersion

EXAMPLES = Path(__file__).parents[2] / "firmware_examples"
HERE = Path(__file__).parent
LIBRARY = EXAMPLES / "libraries" / "tank_probe" / "src"


@functools.cache
def build_folder() -> Path:
    """Return a folder for what is built; it goes when the tests end."""
    folder = Path(tempfile.mkdtemp(prefix="firmware-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


def run_tool(*command: str | Path, cwd: Path | None = None) -> None:
    """Run a compiler; fail the test with what it says."""
    done = subprocess.run(command, cwd=cwd, capture_output=True, text=True, timeout=120, check=False)
    if done.returncode != 0:
        pytest.fail(f"{' '.join(map(str, command))}\n{done.stdout[-2000:]}{done.stderr[-4000:]}")


@functools.cache
def avr_firmware(name: str, interval_ms: int = 10_000) -> Path:
    """Return the firmware of the sketch `name`, built so that it reports every `interval_ms`."""
    make = need_program("make")
    need_program("avr-gcc")
    need_file(Path("/usr/share/arduino/hardware/arduino/avr/cores/arduino/Arduino.h"), "arduino-core-avr")
    folder = build_folder() / f"avr-{interval_ms}"
    elf = folder / f"{name}.elf"
    run_tool(
        make, "-s", "-C", EXAMPLES, f"B={folder}", f"EXTRA=-DINTERVAL_MS={interval_ms}UL", str(elf)
    )  # fmt: skip
    return elf


@functools.cache
def board_program() -> Path:
    """Return the simulated board, compiled."""
    compiler = need_program("gcc")
    need_file(Path("/usr/include/simavr/sim_avr.h"), "libsimavr-dev")
    program = build_folder() / "board"
    sources = sorted((HERE / "board").glob("*.c"))
    run_tool(
        compiler, "-O2", "-Wall", "-Wextra", "-Werror", "-I/usr/include/simavr", "-o", program, *sources,
        "-lsimavr", "-lutil", "-lm",
    )  # fmt: skip
    return program


@functools.cache
def own_tool(name: str) -> str:
    """Return a program that pip installs beside this Python, such as `micropython`."""
    beside = Path(sys.executable).parent / name
    return str(beside) if beside.exists() else need_program(name)


class Board:
    """A simulated ATmega328P with its serial line at `port`; see board/board.c for the commands."""

    def __init__(self, firmware: Path, port: Path, *, sensors: int = 0, speed: float = 0.0) -> None:
        self.port = port
        self._process = subprocess.Popen(
            [board_program(), port, str(sensors), str(speed), firmware],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
        )
        self._await_ok("start")

    def command(self, text: str) -> None:
        """Have one command carried out."""
        assert self._process.stdin is not None
        self._process.stdin.write(text + "\n")
        self._await_ok(text)

    def _await_ok(self, text: str) -> None:
        assert self._process.stdout is not None
        answer = self._process.stdout.readline().strip()
        assert answer == "ok", f"the board answers {answer!r} to {text!r}"

    def thermistor(self, celsius: float) -> None:
        """Put the voltage of a 10 kΩ thermistor at `celsius`, below 10 kΩ, on A0."""
        ohm = thermistor_ohm(celsius)
        self.command(f"input 0 {round(5000 * ohm / (ohm + 10_000))}")

    def lamps(self, *, heater: bool, light: bool = False) -> None:
        """Let the photo-sensors see the pilot lamp of the heater and the light."""
        self.command(f"input 1 {4200 if heater else 300}")
        self.command(f"input 2 {4200 if light else 300}")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        try:
            self._process.wait(10)
        finally:
            self._process.kill()
            self._process.wait()
            self._process.stdout.close()


def thermistor_ohm(celsius: float) -> float:
    """Return the resistance of a 10 kΩ thermistor, Ω: ln(R/R25) = A + B/T + C/T² + D/T³.

    Coefficients of row ntc.fwd of the check values, the curve that a maker publishes for such beads.
    """
    kelvin = celsius + 273.15
    log_ratio = -14.195756 + 4407.4785 / kelvin - 5165.873 / kelvin**2 - 14017368.0 / kelvin**3
    return 10_000.0 * math.exp(log_ratio)


def clean_environment(**extra: str) -> dict[str, str]:
    """Return the environment for a program under test."""
    kept = {key: value for key, value in os.environ.items() if not key.startswith(("TANKWATCH_", "MICROPY"))}
    return {**kept, **extra}


class Listener:
    """Hears every topic of a broker on loopback, in order."""

    def __init__(self, port: int) -> None:
        self._messages: list[tuple[str, bytes]] = []
        self._subscribed = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self._client.on_message = lambda _c, _u, m: self._messages.append((m.topic, bytes(m.payload)))
        self._client.on_connect = lambda c, *_: c.subscribe("#", qos=1)
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.connect("127.0.0.1", port)

    def on(self, topic: str) -> list[bytes]:
        """Return what was heard on `topic` so far."""
        return [payload for heard, payload in list(self._messages) if heard == topic]

    def __enter__(self) -> Self:
        self._client.loop_start()
        assert self._subscribed.wait(10)
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()
        # The client holds these and they hold the client, which closes its own sockets only when it goes.
        self._client.on_message = self._client.on_connect = self._client.on_subscribe = None
