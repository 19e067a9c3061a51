"""The real screen in a real terminal: a value published reaches the keeper's eyes within two seconds."""

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from conftest import MosquittoBroker, need_program, wait_until

from tankwatch.config import load
from tankwatch.control.client import ControlClient
from tankwatch.control.path import socket_path
from tankwatch.control.protocol import Look
from tankwatch.errors import ControlError

CONFIG = """\
[room]
name = "Back room"
[store]
path = "room.db"
[[source]]
id = "broker"
kind = "mqtt"
port = {port}
[[tank]]
id = "t01"
name = "Long tank"
volume_l = 120.0
setpoint_c = 25.0
[[tank.channel]]
kind = "temperature"
source = "broker"
topic = "fish/t01/water"
decode = "number"
"""


class Terminal:
    """A terminal of 100 by 30 characters, drawn by tmux on a server of its own."""

    def __init__(self, tmux: str, socket: Path) -> None:
        self._tmux = [tmux, "-S", str(socket), "-f", "/dev/null"]

    def open(self, *command: str) -> None:
        """Run `command` in it."""
        self._run("new-session", "-d", "-x", "100", "-y", "30", *command)

    def text(self) -> str:
        """Return what it shows."""
        return self._run("capture-pane", "-p")

    def pid(self) -> int:
        """Return the process that runs in it."""
        return int(self._run("list-panes", "-F", "#{pane_pid}"))

    def close(self) -> None:
        """End whatever runs in it."""
        subprocess.run([*self._tmux, "kill-server"], capture_output=True, timeout=10, check=False)

    def _run(self, *arguments: str) -> str:
        done = subprocess.run(
            [*self._tmux, *arguments], capture_output=True, text=True, timeout=10, check=False
        )
        return done.stdout


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Terminal]:
    terminal = Terminal(need_program("tmux"), tmp_path / "tmux")
    yield terminal
    terminal.close()


@pytest.fixture
def config(tmp_path: Path, mosquitto_broker: MosquittoBroker, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    monkeypatch.setenv("LC_ALL", "C.UTF-8")
    monkeypatch.delenv("TMUX", raising=False)
    path = tmp_path / "tankwatch.toml"
    path.write_text(CONFIG.format(port=mosquitto_broker.port))
    return path


@pytest.fixture
def watch(config: Path) -> Iterator["subprocess.Popen[bytes]"]:
    with (config.parent / "watch.out").open("wb") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "tankwatch", "watch", str(config)], stdout=out, stderr=out
        )
    client = ControlClient(socket_path(load(config)))

    def is_connected() -> bool:
        try:
            picture = client.request(Look())
        except ControlError:
            return False
        return picture is not None and picture.sources[0].state == "connected"

    try:
        wait_until(is_connected, "the watch at the broker")
        yield process
    finally:
        process.terminate()
        process.wait(20)


def _publish(broker: MosquittoBroker, celsius: float) -> None:
    subprocess.run(
        [need_program("mosquitto_pub"), "-p", str(broker.port), "-t", "fish/t01/water", "-m", str(celsius)],
        check=True,
        timeout=10,
    )


def test_published_value_is_seen_within_two_seconds(
    terminal: Terminal,
    config: Path,
    watch: "subprocess.Popen[bytes]",
    mosquitto_broker: MosquittoBroker,
) -> None:
    terminal.open(sys.executable, "-m", "tankwatch", "screen", str(config))
    wait_until(lambda: "Long tank" in terminal.text(), "the tank on the screen", timeout_s=20)
    for celsius in (24.31, 25.62, 24.93):
        began = time.monotonic()
        _publish(mosquitto_broker, celsius)
        wait_until(lambda c=celsius: f"{c} °C" in terminal.text(), f"{celsius} °C on the screen", 2.0)  # type: ignore[misc]
        print(f"{celsius} °C seen after {time.monotonic() - began:.2f} s")

    os.kill(terminal.pid(), 9)
    time.sleep(0.2)
    assert watch.poll() is None
    terminal.close()
    _publish(mosquitto_broker, 25.21)
    terminal.open(sys.executable, "-m", "tankwatch", "screen", str(config))
    wait_until(lambda: "25.21 °C" in terminal.text(), "the value sent while no screen was open", timeout_s=20)
