"""The widget under every part of the screen: lines in, and only the cells that differ repainted."""

from itertools import zip_longest

from rich.cells import get_character_cell_size
from rich.segment import Segment
from rich.style import Style
from textual.geometry import Region, Size
from textual.scroll_view import ScrollView
from textual.strip import Strip

from tankwatch.screen.ink import Line, joined, plain
from tankwatch.screen.palette import style_of

_EMPTY: Line = ()
_WORTH_A_MOVE = 6
_Cell = tuple[str, str, str, int]


class Picture(ScrollView, can_focus=False):
    """Shows lines of runs. `show` compares them with what is shown and repaints the span that changed."""

    DEFAULT_CSS = """
    Picture { overflow-x: hidden; overflow-y: auto; scrollbar-size-vertical: 1; }
    Picture.-fixed { overflow-y: hidden; }
    """

    def __init__(self, *, id: str | None = None, classes: str | None = None, ground: str = "") -> None:  # noqa: A002
        """Start empty, on `ground` of the palette."""
        super().__init__(id=id, classes=classes)
        self._lines: list[Line] = []
        self._ground = ground
        self.repaints = 0
        """How often a part was repainted; for tests and for the page of the program's own health."""

    @property
    def lines(self) -> list[Line]:
        """The lines shown."""
        return self._lines

    @property
    def text(self) -> str:
        """The bare text shown, line by line."""
        return "\n".join(plain(self._lines))

    def show(self, lines: list[Line]) -> None:
        """Show `lines`; nothing happens for lines that are shown already."""
        old, self._lines = self._lines, lines
        if len(old) != len(lines):
            self.virtual_size = Size(0, len(lines))
        top = self.scroll_offset.y
        bottom = top + self.size.height
        regions: list[Region] = []
        for y, (before, after) in enumerate(zip_longest(old, lines, fillvalue=_EMPTY)):
            if top <= y < bottom and before != after:
                spans = changed_spans(before, after)
                regions.extend(Region(start, y - top, end - start, 1) for start, end in spans)
        if regions:
            self.repaints += 1
            self.refresh(*regions)

    def render_line(self, y: int) -> Strip:
        """Return one row of the widget for Textual."""
        index = y + self.scroll_offset.y
        line = self._lines[index] if index < len(self._lines) else _EMPTY
        strip = Strip([Segment(r.text, style_of(r.role, r.ground or self._ground)) for r in joined(line)])
        return strip.adjust_cell_length(self.size.width, self._blank)

    @property
    def _blank(self) -> Style:
        return style_of("text", self._ground)


def changed_spans(before: Line, after: Line) -> list[tuple[int, int]]:
    """Return where two lines differ, as (first cell, cell after the last), from left to right.

    Spans with only a few equal cells between them are taken as one: to move the cursor costs as much.
    """
    left, right = _cells(before), _cells(after)
    width = max(len(left), len(right))
    left += [None] * (width - len(left))
    right += [None] * (width - len(right))
    spans: list[tuple[int, int]] = []
    for x in range(width):
        if left[x] != right[x]:
            if spans and x - spans[-1][1] <= _WORTH_A_MOVE:
                spans[-1] = (spans[-1][0], x + 1)
            else:
                spans.append((x, x + 1))
    return spans


def _cells(line: Line) -> list[_Cell | None]:
    """Return what stands in each cell; both halves of a wide character know it, and which half they are."""
    cells: list[_Cell | None] = []
    for text, role, ground in line:
        if text.isascii():
            cells.extend([(char, role, ground, 0) for char in text])
            continue
        for char in text:
            width = get_character_cell_size(char)
            if width == 0 and cells and cells[-1] is not None:
                cells[-1] = (cells[-1][0] + char, *cells[-1][1:])
            cells.extend([(char, role, ground, half) for half in range(width)])
    return cells
