"""All rooms on the real screen in a real terminal: a room comes, is opened, is acknowledged, and dies."""

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from conftest import MosquittoBroker, free_port, need_program, wait_until
from test_screen_in_tmux import Terminal


class RoomsTerminal(Terminal):
    """A terminal that keys can be pressed in."""

    def press(self, *keys: str) -> None:
        self._run("send-keys", *keys)

    def sees(self, text: str, timeout_s: float = 20.0) -> None:
        wait_until(lambda: text in self.text(), f"{text!r} on the screen", timeout_s)


@pytest.fixture
def terminal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[RoomsTerminal]:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    monkeypatch.setenv("LC_ALL", "C.UTF-8")
    monkeypatch.delenv("TMUX", raising=False)
    terminal = RoomsTerminal(need_program("tmux"), tmp_path / "tmux")
    yield terminal
    terminal.close()


def _room_file(folder: Path, port: int) -> Path:
    path = folder / "room.toml"
    path.write_text(
        f"""
[room]
name = "Back room"
[[source]]
id = "rack"
kind = "mqtt"
port = {free_port()}
[publish]
port = {port}
heartbeat_s = 1.0
[[tank]]
id = "t01"
name = "Long tank"
volume_l = 120.0
setpoint_c = 25.0
"""
    )
    return path


@contextmanager
def _centre_and_room(folder: Path, port: int, terminal: RoomsTerminal) -> Iterator["subprocess.Popen[bytes]"]:
    """Open the screen of all rooms, and start a room."""
    centre = folder / "centre.toml"
    centre.write_text(f'[room]\nname = "Centre"\n[centre]\nport = {port}\nrooms = ["cellar"]\n')
    terminal.open(sys.executable, "-m", "tankwatch", "screen", "--rooms", str(centre))
    terminal.sees("Listening: 1 of 1 room not heard yet.")
    with (folder / "watch.out").open("wb") as out:
        watch = subprocess.Popen(
            [sys.executable, "-m", "tankwatch", "watch", str(_room_file(folder, port))],
            stdout=out,
            stderr=out,
        )
    try:
        terminal.sees("online")
        yield watch
    finally:
        watch.kill()
        watch.wait(10)


def test_a_room_comes_is_opened_and_dies(
    tmp_path: Path, mosquitto_broker: MosquittoBroker, terminal: RoomsTerminal
) -> None:
    with _centre_and_room(tmp_path, mosquitto_broker.port, terminal) as watch:
        terminal.press("F1")
        terminal.sees("Each row is a room")
        terminal.press("Escape")
        terminal.sees("Back room: 1 tank")
        terminal.press("Enter")
        terminal.sees("Long tank")
        terminal.press("u")
        terminal.sees("cellar")
        watch.kill()
        terminal.sees("signed off")


@pytest.mark.slow
def test_an_alarm_in_a_room_is_acknowledged_from_all_rooms(
    tmp_path: Path, mosquitto_broker: MosquittoBroker, terminal: RoomsTerminal
) -> None:
    with _centre_and_room(tmp_path, mosquitto_broker.port, terminal):
        terminal.sees("source lost", 40.0)  # a source that is not there is told after 20 s
        terminal.press("Enter")
        terminal.sees("Long tank")
        terminal.press("a")
        terminal.sees("Look first at")
        terminal.press("k")
        terminal.sees("(centre)")  # acknowledged by someone at the centre, says the room
        terminal.press("u")
        terminal.sees("△ Back room")  # hollow: someone has seen it
