"""Repaint only the cells that changed, in as few bytes as colours allow.

Textual 8.2.8 sends each changed span from the left edge of its widget on. A wall of three hundred tanks is
one widget, and a change at its right end would send whole rows: 27 kB/s were measured where this sends
less than 2 kB/s. It also sets every colour anew for every piece of text; here only what differs is set.
These classes build on inner classes of Textual, which is therefore pinned exactly; a test holds them to
what must be sent.
"""

from rich.color import ColorSystem
from rich.console import Console
from rich.control import Control
from rich.style import Style
from textual._compositor import ChopsUpdate, Compositor
from textual.strip import Strip

_RESET = "\x1b[0m"


class LeanUpdate(ChopsUpdate):
    """The changed spans of the terminal, each from its first changed cell."""

    def render_segments(self, console: Console) -> str:
        """Return what to write to the terminal."""
        system = console._color_system or ColorSystem.TRUECOLOR
        out: list[str] = []
        style = Style.null()
        for y, first, last in self.spans:
            for end, (x, strip) in zip(self.chop_ends[y], self.chops[y].items(), strict=False):
                start, stop = max(x, first), min(end, last)
                if strip is not None and start < stop:
                    out.append(Control.move_to(start, y).segment.text)
                    style = _write(strip.crop(start - x, stop - x), style, system, out)
        out.append(_RESET)
        return "".join(out)


class LeanCompositor(Compositor):
    """A compositor that sends lean updates."""

    def render_partial_update(self) -> ChopsUpdate | None:
        """Return what changed since the last update, or None."""
        update = super().render_partial_update()
        return None if update is None else LeanUpdate(update.chops, update.spans, update.chop_ends)


def _write(strip: Strip, before: Style, system: ColorSystem, out: list[str]) -> Style:
    """Append the text of `strip` to `out`, with what must change from `before`; return the style after it."""
    for text, style, control in strip:
        if control is None or not control:
            after = style or Style.null()
            out.append(_change(before, after, system))
            out.append(text)
            before = after
    return before


def _change(before: Style, after: Style, system: ColorSystem) -> str:
    """Return the shortest sequence from one style to another: only the ink, or everything from nothing."""
    if before == after:
        return ""
    same_but_ink = before.bgcolor == after.bgcolor and before.without_color == after.without_color
    if same_but_ink and after.color is not None:
        return f"\x1b[{';'.join(after.color.downgrade(system).get_ansi_codes())}m"
    codes = Strip.render_ansi(after, system)
    return f"{_RESET}\x1b[{codes}m" if codes else _RESET
