"""Every cell that the screen draws can be read: words 4.5:1, lines 3:1 (WCAG 2.2, 1.4.3 and 1.4.11).

The colours are taken from what is on the pages after the theme, the style sheet and the widgets of the
library have had their say, not from the palette.
"""

from collections.abc import Iterator
from pathlib import Path

import pytest
from rich.cells import cell_len
from rich.style import Style
from screen_fakes import make_app, settle, troubled_room
from test_palette import contrast
from test_rooms_screen import _app as rooms_app
from test_rooms_screen import _heard
from textual.app import App
from textual.pilot import Pilot
from textual.screen import ModalScreen
from textual.widgets._toast import Toast, ToastRack

from tankwatch.screen.first_run import FirstRun

pytestmark = pytest.mark.asyncio

LINES = frozenset("─│┌┐└┘├┤┬┴┼╷╵━┃▁▂▃▄▅▆▇█▏▎▍▌▋▊▉▔▕▀▐┄·–")
"""Signs that are no words: rules, frames, scales, the bar that scrolls."""


def cells(app: App[None]) -> Iterator[tuple[str, Style]]:
    """Yield every character of the page or dialog on top, with its style.

    The page behind a dialog is dimmed on purpose: it is not active, which both criteria except.
    """
    areas = [toast.region for toast in app.screen.query(Toast)]
    if isinstance(app.screen, ModalScreen):
        areas += [box.region for box in app.screen.children if not isinstance(box, ToastRack)]
    else:
        areas.append(app.screen.size.region)
    for y, strip in enumerate(app.screen._compositor.render_strips()):
        x = 0
        for text, style, _ in strip:
            for char in text:
                if any(area.contains(x, y) for area in areas):
                    yield char, style or Style.null()
                x += cell_len(char)


def unreadable(app: App[None]) -> set[tuple[str, str, float]]:
    """Return ink, ground and contrast of what is too weak, each with the characters that stand so."""
    found: dict[tuple[str, str], set[str]] = {}
    for char, style in cells(app):
        if char == " ":
            continue
        assert style.color is not None, (char, style)
        assert style.bgcolor is not None, (char, style)
        assert not style.dim, f"{char!r} is dimmed: nobody knows by how much"
        ink, ground = style.color.get_truecolor(), style.bgcolor.get_truecolor(foreground=False)
        pair = (ground.hex, ink.hex) if style.reverse else (ink.hex, ground.hex)
        found.setdefault(pair, set()).add(char)
    weak = set()
    for (ink_hex, ground_hex), chars in found.items():
        ratio = contrast(ink_hex, ground_hex)
        words = chars - LINES
        if ratio < (4.5 if words else 3.0):
            weak.add(("".join(sorted(words or chars))[:40], f"{ink_hex} on {ground_hex}", round(ratio, 2)))
    return weak


async def walk(pilot: Pilot[None], keys: str) -> dict[str, set[tuple[str, str, float]]]:
    """Press `keys` one by one and return what is unreadable after each, by the keys pressed so far."""
    weak = {}
    pressed: list[str] = []
    for key in ["", *keys.split()]:
        if key:
            await pilot.press(key)
            pressed.append(key)
        await settle(pilot)
        if found := unreadable(pilot.app):
            weak[" ".join(pressed)] = found
    return weak


WALKS = {
    "room": "down s slash n u r escape k ctrl+p e s down",
    "tank": "enter left left y plus n s escape l x",
    "care": "enter c down c 1 8 ctrl+s tab f1 escape escape d escape t 7 escape f ctrl+g space space escape",
    "alarms": "a down s down escape x escape k v f1 escape",
    "others": "o g h e",
}


@pytest.mark.parametrize("keys", WALKS.values(), ids=WALKS)
async def test_whatever_is_on_the_pages_can_be_read(keys: str) -> None:
    app, _, _ = make_app(troubled_room(12))
    async with app.run_test(size=(100, 30)) as pilot:
        assert await walk(pilot, keys) == {}


async def test_many_tanks_can_be_read() -> None:
    app, _, _ = make_app(troubled_room(60))
    async with app.run_test(size=(80, 24)) as pilot:
        assert await walk(pilot, "down down down end") == {}


async def test_without_a_watch_it_can_be_read() -> None:
    app, _, _ = make_app(None)
    async with app.run_test(size=(80, 24)) as pilot:
        assert await walk(pilot, "down enter k a h") == {}


async def test_all_rooms_can_be_read() -> None:
    app, _ = rooms_app(_heard())
    async with app.run_test(size=(100, 30)) as pilot:
        assert await walk(pilot, "down down enter u f1") == {}


async def test_the_first_page_and_its_dialog_can_be_read(tmp_path: Path) -> None:
    app = FirstRun("no configuration file", tmp_path)
    async with app.run_test(size=(80, 24)) as pilot:
        assert await walk(pilot, "l down tab tab right") == {}
