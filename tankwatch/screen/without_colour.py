"""NO_COLOR (no-color.org): bold, reverse and underline take the place of every colour.

Textual itself turns colours into greys then, which are colours to a terminal.
"""

from functools import lru_cache
from typing import Any

from rich.segment import Segment
from rich.style import Style
from textual.app import App
from textual.color import Color
from textual.filter import LineFilter, Monochrome

from tankwatch.screen.palette import CHOSEN

_FILLED = 0.35
"""Brightness (0 to 1) from which a ground counts as filled: blocks, cursors, the bar that scrolls."""
_CHOSEN = Color.parse(CHOSEN)


@lru_cache(maxsize=1024)
def plain_style(style: Style) -> Style:
    """Return `style` without colours: a filled ground becomes reverse, a chosen one underlined."""
    ground = None if style.bgcolor is None else Color.from_rich_color(style.bgcolor)
    if ground is None:
        return style.without_color
    if ground == _CHOSEN:
        return style.without_color + Style(underline=True)
    if ground.brightness > _FILLED:
        return style.without_color + Style(reverse=not style.reverse)
    return style.without_color


class WithoutColour(LineFilter):
    """Takes every colour out of what is about to be drawn."""

    def apply(self, segments: list[Segment], background: Color) -> list[Segment]:
        """Return `segments` without colours."""
        return [
            Segment(text, None if style is None else plain_style(style), control)
            for text, style, control in segments
        ]


def honour_no_color(app: App[Any]) -> None:
    """Take all colours out of `app` if the keeper wants none."""
    if app.no_color:
        app._filters = [f for f in app._filters if not isinstance(f, Monochrome)] + [WithoutColour()]
