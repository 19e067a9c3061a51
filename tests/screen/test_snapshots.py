"""Pictures of the pages at three sizes, compared with those that a person has looked at."""

from collections.abc import Callable
from importlib.metadata import version

import pytest
from screen_fakes import make_app, make_room, settle, troubled_room
from textual.pilot import Pilot

DRAWN_WITH = "8.2.8"
"""Version of Textual that the stored pictures were made with; another one draws other SVG."""

pytestmark = pytest.mark.skipif(
    version("textual") != DRAWN_WITH,
    reason=f"the stored pictures were made with Textual {DRAWN_WITH}, this is {version('textual')}",
)

SIZES = {"80x24": (80, 24), "120x40": (120, 40), "60x20": (60, 20)}
Compare = Callable[..., bool]


def pressing(*keys: str) -> Callable[[Pilot[None]], object]:
    async def run(pilot: Pilot[None]) -> None:
        await settle(pilot)
        for key in keys:
            await pilot.press(key)
            await settle(pilot)

    return run


@pytest.mark.parametrize("size", SIZES)
def test_a_troubled_room(snap_compare: Compare, size: str) -> None:
    app, _, _ = make_app(troubled_room(12))
    assert snap_compare(app, terminal_size=SIZES[size], run_before=pressing())


@pytest.mark.parametrize("size", SIZES)
def test_the_worst_tank(snap_compare: Compare, size: str) -> None:
    app, _, _ = make_app(troubled_room(12))
    assert snap_compare(app, terminal_size=SIZES[size], run_before=pressing("enter"))


def test_a_quiet_room(snap_compare: Compare) -> None:
    app, _, _ = make_app(make_room(24))
    assert snap_compare(app, terminal_size=SIZES["80x24"], run_before=pressing())


def test_alarms(snap_compare: Compare) -> None:
    app, _, _ = make_app(troubled_room(12))
    assert snap_compare(app, terminal_size=SIZES["80x24"], run_before=pressing("a"))


def test_no_watch(snap_compare: Compare) -> None:
    app, _, _ = make_app(None)
    assert snap_compare(app, terminal_size=SIZES["80x24"], run_before=pressing())


@pytest.mark.parametrize("size", ["80x24", "60x20"])
def test_the_care_of_a_tank(snap_compare: Compare, size: str) -> None:
    app, _, _ = make_app(troubled_room(12))
    assert snap_compare(app, terminal_size=SIZES[size], run_before=pressing("enter", "c"))


@pytest.mark.parametrize("size", ["80x24", "60x20"])
def test_a_form_at_work(snap_compare: Compare, size: str) -> None:
    app, _, _ = make_app(make_room(2))
    assert snap_compare(app, terminal_size=SIZES[size], run_before=pressing("enter", "c", "c", "1", "8"))


def test_shelving(snap_compare: Compare) -> None:
    app, _, _ = make_app(troubled_room(12))
    assert snap_compare(app, terminal_size=SIZES["80x24"], run_before=pressing("a", "s"))
