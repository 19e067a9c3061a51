"""A line for the care log, written from the page of a tank."""

from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input

from tankwatch.screen import keys
from tankwatch.screen.explained import Explains
from tankwatch.screen.ink import Run, clean
from tankwatch.screen.line_input import LineInput
from tankwatch.screen.picture import Picture

LONGEST = 500


class NoteDialog(Explains, ModalScreen[str | None]):
    """Asks for one line of text; answers with it, which may be empty, or None when nothing is to be kept."""

    BINDINGS: ClassVar[list[BindingType]] = list(keys.NOTE_DIALOG)
    HELP_TITLE = "One line for the record"
    HELP = (
        "Write what was done or seen, in your own words; it is kept with the time and your user name and "
        "never changed. Enter keeps it."
    )

    def __init__(self, name: str, question: str = "what did you do or see?", start: str = "") -> None:
        """Ask `question` for what is called `name`; `start` stands in the line already."""
        super().__init__()
        self._start = start
        self._title = f" {clean(name)}: {question}"

    def compose(self) -> ComposeResult:
        """A title, the line, and how to end."""
        with Vertical(classes="box"):
            title = Picture(ground="bar", id="note-title")
            title.styles.height = 2
            yield title
            yield LineInput(self._start, LONGEST, id="note")
            ways = Picture(ground="bar", id="note-ways")
            ways.styles.height = 2
            yield ways

    def on_mount(self) -> None:
        """Show the words around the line."""
        self.query_one("#note-title", Picture).show([(), (Run(self._title, "bright"),)])
        ways = (Run(" Enter ", "bright"), Run("keep it   "), Run("Esc ", "bright"), Run("cancel"))
        self.query_one("#note-ways", Picture).show([(), ways])

    @on(Input.Submitted)
    def _keep(self, event: Input.Submitted) -> None:
        self.dismiss(event.value.strip())

    def action_cancel(self) -> None:
        """Answer with none."""
        self.dismiss(None)
