"""`tankwatch screen` in a real terminal, on a watch whose picture changes five times a second.

Over SSH and with `--slow` it repaints no more often than it says, keys are answered at once, and nothing
moves by itself; with NO_COLOR no colour goes to the terminal.
"""

import itertools
import re
import sys
import threading
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from pty_measure import ScreenInTerminal
from screen_fakes import NOW_S, make_alarm, make_room, make_tank

from tankwatch.alarms.model import AlarmState, Condition, Priority
from tankwatch.config import load
from tankwatch.control.path import socket_path
from tankwatch.control.server import ControlServer
from tankwatch.snapshot import LiveValue, RoomSnapshot

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")

PICTURE_EVERY_S = 0.2
"""The water comes back to where it was after seven pictures, so no whole second hides that it moved."""


class RestlessWatch:
    """A watch whose tanks all move by half a degree with each picture."""

    def __init__(self, config: Path, room: RoomSnapshot, *, moves: bool = True) -> None:
        self._room = room
        self._moves = moves
        self._over = threading.Event()
        self._server = ControlServer(socket_path(load(config)), lambda _action: Future())
        self._thread = threading.Thread(target=self._publish)

    def __enter__(self) -> "RestlessWatch":
        self._server.start()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()
        self._server.stop()

    def _publish(self) -> None:
        turn = 0
        while not self._over.wait(PICTURE_EVERY_S):
            turn += 1
            room = replace(self._room, time_s=self._room.time_s + turn * PICTURE_EVERY_S)
            if self._moves:
                moved = [make_tank(i, 23.5 + 0.5 * ((3 * turn + i) % 7)) for i in range(len(room.tanks))]
                room = replace(room, tanks=tuple(moved))
            self._server.publish(room)


@pytest.fixture
def config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    path = tmp_path / "tankwatch.toml"
    tanks = "".join(f'[[tank]]\nid = "t{i:02}"\nvolume_l = 100.0\nsetpoint_c = 25.0\n' for i in range(1, 13))
    path.write_text(f'[room]\nname = "Back room"\n[store]\npath = "room.db"\n{tanks}')
    return path


def screen_of(config: Path, *options: str, **environment: str) -> ScreenInTerminal:
    command = [sys.executable, "-m", "tankwatch", "screen", *options, str(config)]
    return ScreenInTerminal(0, "", 100, 30, command=command, environment=environment)


SSH = "192.0.2.1 50000 192.0.2.2 22"  # addresses for documentation, RFC 5737


@dataclass(frozen=True)
class LinkCase:
    """How the screen is seen, and how often it may repaint then."""

    name: str
    options: tuple[str, ...]
    environment: dict[str, str]
    watched_s: float
    least_s: float
    between: tuple[int, int]


LINKS = (
    LinkCase("local", (), {}, 2.0, 0.0, (4, 11)),
    LinkCase("ssh", (), {"SSH_CONNECTION": SSH}, 4.0, 0.85, (3, 5)),
    LinkCase("slow", ("--slow",), {}, 5.5, 4.5, (1, 2)),
)


def look_at(case: LinkCase, screen: ScreenInTerminal) -> tuple[list[float], float]:
    """Return when it repainted while no key was pressed, and how long a key then took (s)."""
    if b"quiet" not in screen.read(20, until=b"quiet"):
        raise RuntimeError(f"{case.name}: no picture")
    screen.read(1.5)
    begins = [at_s for at_s, _ in screen.bursts(case.watched_s, calm_s=0.1)]
    return begins, screen.press(b"\x1b[B")


def test_a_link_is_repainted_no_oftener_than_said_and_keys_answer_at_once(config: Path) -> None:
    with ExitStack() as stack:
        screens = [
            stack.enter_context(screen_of(config, *case.options, **case.environment)) for case in LINKS
        ]
        stack.enter_context(RestlessWatch(config, make_room(12)))
        with ThreadPoolExecutor(len(LINKS)) as pool:
            seen = list(pool.map(look_at, LINKS, screens))
    for case, (begins, key_s) in zip(LINKS, seen, strict=True):
        assert case.between[0] <= len(begins) <= case.between[1], (case.name, begins)
        assert all(b - a >= case.least_s for a, b in itertools.pairwise(begins)), (case.name, begins)
        # A frame is 1/15 s over SSH and 1/4 s when slow; the rest is for a busy machine.
        assert key_s < 0.6, case.name


def test_nothing_moves_by_itself_over_ssh(config: Path) -> None:
    with RestlessWatch(config, make_room(12), moves=False), screen_of(config, SSH_CONNECTION=SSH) as screen:
        assert b"quiet" in screen.read(20, until=b"quiet")
        screen.read(1.5)
        for key in (b"/", b"\x1b", b"\x10"):  # the search, back, the palette of commands
            assert screen.press(key) < 1.0
            screen.read(0.7)
            assert screen.bursts(1.1) == [], f"something moves after {key!r}"


STATES = {
    "◆ critical": make_alarm(1, "t01", priority=Priority.CRITICAL),
    "▲ high": make_alarm(2, "t02", Condition.TOO_WARM, Priority.HIGH),
    "○ medium": make_alarm(3, "t03", Condition.LIGHT_OVERRUN, Priority.MEDIUM, AlarmState.ACKNOWLEDGED),
    "▪ low": make_alarm(4, "t04", Condition.LIGHT_MISSED, Priority.LOW),
    "↺ returned": make_alarm(5, "t05", Condition.TOO_COLD, Priority.HIGH, AlarmState.RETURNED),
    "? stale": None,
    "≈ service": None,
}
"""Shape and word of each state, and the alarm that brings it about."""
_SGR = re.compile(rb"\x1b\[([0-9;:]*)m")
_CSI = re.compile(r"\x1b\[[0-9;:?<>=]*[a-zA-Z]")
_COLOURS = {*range(30, 39), *range(40, 49), *range(90, 108)}
"""Parameters of SGR (ECMA-48, and the bright ones of aixterm) that set a colour; 39 and 49 take it back."""


def test_no_color_sends_no_colour_and_every_state_has_a_word_and_a_shape(config: Path) -> None:
    tanks = [make_tank(i) for i in range(12)]
    tanks[5] = make_tank(5, values={"temperature": LiveValue(25.2, NOW_S - 1500, 1500.0, stale=True)})
    tanks[6] = make_tank(6, service="work", service_since_s=NOW_S - 600)
    room = make_room(alarms=[alarm for alarm in STATES.values() if alarm], tanks=tanks)
    with RestlessWatch(config, room, moves=False), screen_of(config, NO_COLOR="1") as screen:
        sent = screen.read(20, until="≈ service".encode()) + screen.read(1.0)
        words = _CSI.sub("", sent.decode())
        assert [state for state in STATES if state not in words] == []
        assert b"\x1b[1;7m" in sent, "what nobody has acknowledged stands out"
        for key in (b"\x1b[B", b"\r", b"s", b"\x1b", b"\x10", b"\x1b", b"a", b"o", b"h"):
            screen.press(key)
            sent += screen.read(0.25)
    codes = {int(code) for found in _SGR.findall(sent) for code in re.split(rb"[;:]", found) if code}
    assert len(_SGR.findall(sent)) > 100
    assert codes & _COLOURS == set()
