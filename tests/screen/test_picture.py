"""Only cells that changed are sent; equal lines send nothing."""

import io
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console
from rich.segment import Segment
from textual.app import App, ComposeResult
from textual.screen import Screen
from textual.strip import Strip

from tankwatch.screen.ink import Line, Run
from tankwatch.screen.lean import LeanCompositor, LeanUpdate
from tankwatch.screen.palette import style_of
from tankwatch.screen.picture import Picture, changed_spans

runs = st.lists(
    st.builds(Run, st.text(alphabet="ab水族 ", max_size=6), st.sampled_from(["text", "bright"])), max_size=4
)


def painted(line: Line) -> list[tuple[str, str]]:
    """Return each cell as a terminal shows it: (character, role), wide ones with an empty second half."""
    cells: list[tuple[str, str]] = []
    for run in line:
        for char in run.text:
            cells.append((char, run.role))
            if char in "水族":
                cells.append(("", run.role))
    return cells


@given(runs, runs)
def test_outside_the_spans_nothing_differs_and_no_wide_character_is_cut(
    before: list[Run], after: list[Run]
) -> None:
    old, new = painted(tuple(before)), painted(tuple(after))
    width = max(len(old), len(new))
    inside: set[int] = set()
    for start, end in changed_spans(tuple(before), tuple(after)):
        assert 0 <= start < end <= width
        inside |= set(range(start, end))
        for cells in (old, new):
            assert start >= len(cells) or cells[start][0] != ""
            assert end >= len(cells) or cells[end][0] != ""
    for x in set(range(width)) - inside:
        assert old[x : x + 1] == new[x : x + 1]


def test_equal_lines_have_no_span() -> None:
    line = (Run("Long tank"), Run(" 25.0", "bright"))
    assert changed_spans(line, (Run("Long "), Run("tank"), Run(" 25.0", "bright"))) == []


def test_far_changes_are_two_spans_and_near_ones_one() -> None:
    before = (Run("25.0" + " " * 40 + "25.0"),)
    after = (Run("25.1" + " " * 40 + "25.1"),)
    assert changed_spans(before, after) == [(3, 4), (47, 48)]
    assert changed_spans((Run("a.b"),), (Run("x.y"),)) == [(0, 3)]


class OnePicture(App[None]):
    """A page with one picture."""

    def compose(self) -> ComposeResult:
        """Yield it."""
        yield Picture()


class LeanScreen(Screen[None]):
    """A page that repaints as the program's pages do."""

    def __init__(self) -> None:
        super().__init__()
        self._compositor = LeanCompositor()

    def compose(self) -> ComposeResult:
        """Yield one picture."""
        yield Picture()


@pytest.mark.asyncio
async def test_the_same_lines_again_repaint_nothing() -> None:
    app = OnePicture()
    async with app.run_test(size=(40, 5)) as pilot:
        picture = app.query_one(Picture)
        picture.show([(Run("25.0"),)])
        await pilot.pause()
        assert picture.repaints == 1
        picture.show([(Run("25"), Run(".0"))])
        assert picture.repaints == 1
        picture.show([(Run("25.1"),)])
        assert picture.repaints == 2


@pytest.mark.asyncio
async def test_a_change_at_the_right_end_sends_a_few_bytes() -> None:
    app: App[None] = App()
    async with app.run_test(size=(200, 5)) as pilot:
        screen = LeanScreen()
        await app.push_screen(screen)
        picture = screen.query_one(Picture)
        picture.show([(Run("x" * 190 + "25.0"),)])
        await pilot.pause()
        changed = Picture.show
        sent: list[str] = []
        console = Console(file=io.StringIO(), force_terminal=True, color_system="truecolor", width=200)
        update_of = screen._compositor.render_partial_update

        def spy() -> object:
            update = update_of()
            if update is not None:
                assert isinstance(update, LeanUpdate)
                sent.append(update.render_segments(console))
            return update

        screen._compositor.render_partial_update = spy  # type: ignore[method-assign,assignment]
        changed(picture, [(Run("x" * 190 + "25.1"),)])
        await pilot.pause()
        await pilot.pause()
        assert sent, "the change was painted"
        assert "1" in "".join(sent)
        assert "x" not in "".join(sent)
        assert len("".join(sent)) < 80


@pytest.mark.asyncio
async def test_a_scrolled_picture_shows_its_own_rows() -> None:
    app = OnePicture()
    async with app.run_test(size=(20, 4)) as pilot:
        picture = app.query_one(Picture)
        picture.show([(Run(f"row {i}"),) for i in range(10)])
        await pilot.pause()
        picture.scroll_to(y=6, animate=False)
        await pilot.pause()
        assert [picture.render_line(y).text.strip() for y in range(4)] == ["row 6", "row 7", "row 8", "row 9"]


def seen_by_a_terminal(sent: str) -> list[tuple[str, str, str, bool]]:
    """Return (character, ink, ground, bold) of each cell, as ECMA-48 has a terminal read `sent`."""
    cells: list[tuple[str, str, str, bool]] = []
    ink = ground = ""
    bold = False
    for codes, end, text in re.findall(r"(?:\x1b\[([\d;]*)([mH]))?([^\x1b]*)", sent):
        if end == "m":
            rest = codes.split(";")
            while rest:
                code = rest.pop(0)
                if code in {"", "0"}:
                    ink, ground, bold = "", "", False
                elif code == "1":
                    bold = True
                elif code in {"38", "48"}:
                    colour, rest = ";".join(rest[1:4]), rest[4:]
                    ink, ground = (colour, ground) if code == "38" else (ink, colour)
        cells.extend((char, ink, ground, bold) for char in text)
    return cells


roles = st.sampled_from(["text", "bright", "critical", "critical-block", "faint"])
styled = st.lists(
    st.tuples(st.text(alphabet="ab ", min_size=1, max_size=5), roles, st.sampled_from(["", "chosen"])),
    min_size=1,
)


@given(styled, st.integers(0, 10), st.integers(1, 10))
def test_what_is_sent_means_what_is_drawn(pieces: list[tuple[str, str, str]], start: int, width: int) -> None:
    strip = Strip([Segment(text, style_of(role, ground)) for text, role, ground in pieces])
    length = strip.cell_length
    start = min(start, length - 1)
    stop = min(start + width, length)
    update = LeanUpdate([{0: strip}], [(0, start, stop)], [[length]])
    console = Console(file=io.StringIO(), force_terminal=True, color_system="truecolor")
    wanted: list[tuple[str, str, str, bool]] = []
    for text, role, ground in pieces:
        style = style_of(role, ground)
        assert style.color is not None
        assert style.bgcolor is not None
        ink, back = (";".join(str(n) for n in c.get_truecolor()) for c in (style.color, style.bgcolor))
        wanted.extend((char, ink, back, bool(style.bold)) for char in text)
    assert seen_by_a_terminal(update.render_segments(console)) == wanted[start:stop]
