"""The weeks behind one tank: heat loss, heater, light and swing week by week, and what drifts."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, ClassVar, cast

from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.screen import ModalScreen

from tankwatch.errors import TankwatchError
from tankwatch.screen import keys
from tankwatch.screen.bars import KeyLine
from tankwatch.screen.explained import Explains
from tankwatch.screen.ink import Line, Run, clean, fit, wrap
from tankwatch.screen.picture import Picture

if TYPE_CHECKING:
    from tankwatch.review.weeks import TankWeeks
    from tankwatch.screen.app import TankwatchApp

WEEKS = 12
_NAME_CELLS = 23


class WeeksPage(Explains, ModalScreen[None]):
    """Twelve weeks of one tank, read from the store when the page comes up."""

    AUTO_FOCUS = ""
    BINDINGS: ClassVar[list[BindingType]] = list(keys.WEEKS_PAGE)
    HELP_TITLE = "The weeks behind a tank"
    HELP = (
        "What no single night shows. The heat-loss signature is the line of duty against the room's "
        "temperature: it rises when a lid is left off or cracks. The heater's watts fall as an element ages "
        "or grows lime. Light and swing stand beside them, week by week; a dash is a week without readings."
    )

    def __init__(self, tank_id: str) -> None:
        """Look at the tank called `tank_id`."""
        super().__init__()
        self.tank_id = tank_id
        self.weeks: TankWeeks | None = None
        self.trouble = ""

    def compose(self) -> ComposeResult:
        """The lines, and the keys."""
        yield Picture(id="weeks")
        yield KeyLine()

    def on_mount(self) -> None:
        """Read, and say so meanwhile."""
        self.call_after_refresh(self._show)
        self._read()

    def on_resize(self) -> None:
        """Break the lines anew."""
        self.call_after_refresh(self._show)

    @work(exclusive=True, group="weeks")
    async def _read(self) -> None:
        home = cast("TankwatchApp", self.app)
        if home.weeks is None:
            self.trouble = "This screen has no store to read the weeks from."
        else:
            try:
                self.weeks = await asyncio.to_thread(home.weeks, self.tank_id, WEEKS, home.clock.wall_s())
            except TankwatchError as error:
                self.trouble = str(error)
        self._show()

    def _show(self) -> None:
        if not self.is_mounted or not self.size.width:
            return
        picture = self.query_one("#weeks", Picture)
        width = max(30, self.size.width - 2)
        if self.weeks is None:
            said = self.trouble or f"Reading {WEEKS} weeks …"
            picture.show([(), *((Run(" " + row, "label"),) for row in wrap(clean(said), width - 2))])
        else:
            picture.show(draw_weeks(self.weeks, width))

    def action_back(self) -> None:
        """Go back."""
        self.dismiss(None)

    def action_scroll(self, rows: int) -> None:
        """Scroll the lines."""
        self.query_one("#weeks", Picture).scroll_relative(y=rows, animate=False)


def draw_weeks(weeks: TankWeeks, width: int) -> list[Line]:
    """Return the weeks of a tank: why someone must look, what drifts, and a row for each week."""
    from tankwatch.review.weeks_words import HEADS, cells, drift_lines, signature_lines

    said = ", ".join(weeks.reasons)
    lines: list[Line] = [()]
    head = f"{clean(weeks.tank.label)}, {len(weeks.weeks)} weeks: {said or 'nothing to do'}."
    lines.extend((Run(" " + row, "bright"),) for row in wrap(head, width - 2))
    lines.append(())
    for name, value in signature_lines(weeks) + drift_lines(weeks):
        for i, row in enumerate(wrap(value, max(12, width - _NAME_CELLS - 2)) or [""]):
            lines.append((Run(fit(f" {name}" if i == 0 else "", _NAME_CELLS) + " ", "label"), Run(row)))
    lines.append(())
    rows = [HEADS, *(cells(week) for week in weeks.weeks)]
    widths = [max(len(row[i]) for row in rows) for i in range(len(HEADS))]
    shown = len(HEADS)
    while shown > 2 and sum(widths[:shown]) + 2 * shown > width - 2:
        shown -= 1  # a narrow terminal: the last columns stand in `tankwatch review --weeks`
    for i, figures in enumerate(rows):
        text = "  ".join(cell.rjust(w) for cell, w in zip(figures[:shown], widths[:shown], strict=True))
        lines.append((Run(f" {text}", "label" if i == 0 else "text"),))
    if shown < len(HEADS):
        rest = f"A wider terminal also shows: {', '.join(HEADS[shown:])}."
        lines.extend([(), *((Run(" " + row, "label"),) for row in wrap(rest, width - 2))])
    return lines
