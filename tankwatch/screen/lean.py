"""Repaint only the cells that changed.

Textual 8.2.8 sends each changed span from the left edge of its widget on. A wall of three hundred tanks is
one widget, and a change at its right end would send whole rows. These two classes start where the change
starts: measured on 300 tanks of which some thirty change each second, a tenth of the bytes. They build on
inner classes of Textual, which is therefore pinned exactly; a test holds them to what must be sent.
"""

from rich.console import Console
from rich.control import Control
from textual._compositor import ChopsUpdate, Compositor


class LeanUpdate(ChopsUpdate):
    """The changed spans of the terminal, each from its first changed cell."""

    def render_segments(self, console: Console) -> str:
        """Return what to write to the terminal."""
        out: list[str] = []
        for y, first, last in self.spans:
            for end, (x, strip) in zip(self.chop_ends[y], self.chops[y].items(), strict=False):
                start, stop = max(x, first), min(end, last)
                if strip is not None and start < stop:
                    out.append(Control.move_to(start, y).segment.text)
                    out.append(strip.crop(start - x, stop - x).render(console))
        return "".join(out)


class LeanCompositor(Compositor):
    """A compositor that sends lean updates."""

    def render_partial_update(self) -> ChopsUpdate | None:
        """Return what changed since the last update, or None."""
        update = super().render_partial_update()
        return None if update is None else LeanUpdate(update.chops, update.spans, update.chop_ends)
