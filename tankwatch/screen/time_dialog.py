"""A line that asks for a moment of the past, to read a chart at."""

from typing import ClassVar
from zoneinfo import ZoneInfo

from textual import on
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input

from tankwatch.errors import UsageError
from tankwatch.screen import keys
from tankwatch.screen.explained import Explains
from tankwatch.screen.ink import Run, clean, wrap
from tankwatch.screen.line_input import LineInput
from tankwatch.screen.picture import Picture
from tankwatch.screen.when import EXAMPLES, moment_of

_LONGEST = 40
_WIDTH = 54


class TimeDialog(Explains, ModalScreen[float | None]):
    """Asks for a time; answers with it in seconds since 1970 UTC, or None."""

    BINDINGS: ClassVar[list[BindingType]] = list(keys.NOTE_DIALOG)
    HELP_TITLE = "A time to read the chart at"
    HELP = (
        "Type a time of this place, such as 3:00; it means the last one before now. With a day in front, "
        "yesterday or 2026-01-31, it is the time of that day. Enter goes there."
    )

    def __init__(self, now_s: float, zone: ZoneInfo) -> None:
        """Understand times as they are said at `now_s` in `zone`."""
        super().__init__()
        self._now_s, self._zone = now_s, zone

    def compose(self) -> ComposeResult:
        """A title, the line, and how to end."""
        with Vertical(classes="box"):
            title = Picture(ground="bar", id="time-title")
            title.styles.height = 2
            yield title
            yield LineInput("", _LONGEST, id="time")
            ways = Picture(ground="bar", id="time-ways")
            ways.styles.height = 4
            yield ways

    def on_mount(self) -> None:
        """Show the words around the line."""
        title = (Run(" Read the chart at what time?", "bright"),)
        self.query_one("#time-title", Picture).show([(), title])
        self._show(f"Such as {EXAMPLES}.", "label")

    def _show(self, said: str, role: str) -> None:
        ways = (Run(" Enter ", "bright"), Run("go there   "), Run("Esc ", "bright"), Run("cancel"))
        rows = wrap(clean(said), _WIDTH, 2)
        lines = [(Run(" " + row, role),) for row in rows]
        self.query_one("#time-ways", Picture).show([*lines, *[()] * (3 - len(lines)), ways])

    @on(Input.Submitted)
    def _go(self, event: Input.Submitted) -> None:
        try:
            time_s = moment_of(event.value, self._now_s, self._zone)
        except UsageError as error:
            self._show(str(error)[:1].upper() + str(error)[1:] + ".", "bright")
        else:
            self.dismiss(time_s)

    def action_cancel(self) -> None:
        """Answer with none."""
        self.dismiss(None)
