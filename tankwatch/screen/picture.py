"""The widget under every part of the screen: lines in, and only the cells that differ repainted."""

from itertools import zip_longest

from rich.segment import Segment
from rich.style import Style
from textual.geometry import Region, Size
from textual.scroll_view import ScrollView
from textual.strip import Strip

from tankwatch.screen.ink import Line, plain
from tankwatch.screen.palette import style_of

_EMPTY: Line = ()


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
        regions = []
        for y, (before, after) in enumerate(zip_longest(old, lines, fillvalue=_EMPTY)):
            if top <= y < bottom and before != after:
                start, end = changed_span(before, after)
                regions.append(Region(start, y - top, max(1, end - start), 1))
        if regions:
            self.repaints += 1
            self.refresh(*regions)

    def render_line(self, y: int) -> Strip:
        """Return one row of the widget for Textual."""
        index = y + self.scroll_offset.y
        line = self._lines[index] if index < len(self._lines) else _EMPTY
        strip = Strip([Segment(r.text, style_of(r.role, r.ground or self._ground)) for r in line])
        return strip.adjust_cell_length(self.size.width, self._blank)

    @property
    def _blank(self) -> Style:
        return style_of("text", self._ground)


def changed_span(before: Line, after: Line) -> tuple[int, int]:
    """Return the first cell that differs between two lines, and the end of the last that does."""
    left, right = _cells(before), _cells(after)
    width = max(len(left), len(right))
    left += [None] * (width - len(left))
    right += [None] * (width - len(right))
    differing = [i for i in range(width) if left[i] != right[i]]
    return (differing[0], differing[-1] + 1) if differing else (0, 0)


def _cells(line: Line) -> list[tuple[str, str, str] | None]:
    """Return what stands in each cell; a wide character fills the cells after it with itself."""
    cells: list[tuple[str, str, str] | None] = []
    for run in line:
        look = (run.role, run.ground)
        if run.text.isascii():
            cells.extend((char, *look) for char in run.text)
            continue
        for char in run.text:
            width = Segment(char).cell_length
            if width == 0 and cells and cells[-1] is not None:
                cells[-1] = (cells[-1][0] + char, *look)
            cells.extend([(char, *look)] * width)
    return cells
