"""Putting an alarm away: for some minutes, or out of service; never without a reason."""

from dataclasses import dataclass
from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input

from tankwatch.alarms.book import LONGEST_CRITICAL_SHELF_S, LONGEST_SHELF_S
from tankwatch.alarms.model import Alarm, Priority
from tankwatch.screen import keys, words
from tankwatch.screen.explained import Explains
from tankwatch.screen.ink import Line, Run, wrap
from tankwatch.screen.line_input import LineInput
from tankwatch.screen.picture import Picture

_WIDTH = 56
_LONGEST_WHY = 200


@dataclass(frozen=True, slots=True)
class Away:
    """What was decided."""

    alarm: Alarm
    why: str
    minutes: float | None
    """None: out of service, until someone brings it back."""


class AwayDialog(Explains, ModalScreen[Away | None]):
    """Asks for the reason, and where the alarm is shelved for the minutes; answers None for neither."""

    BINDINGS: ClassVar[list[BindingType]] = list(keys.AWAY_DIALOG)
    HELP_TITLE = "Putting an alarm away"
    HELP = (
        "On the shelf an alarm is silent for the minutes given and then comes back; out of service nobody "
        "judges the condition until someone brings it back. Both need a reason, and both stand in the "
        "record."
    )

    def __init__(self, alarm: Alarm, place: str, *, shelve: bool) -> None:
        """Put `alarm` of `place` on the shelf, or out of service."""
        super().__init__()
        self._alarm = alarm
        self._shelve = shelve
        name = f"{place}: {alarm.condition.value.replace('-', ' ')}"
        self._title = f"Shelve “{name}”" if shelve else f"Take “{name}” out of service"
        longest_s = LONGEST_CRITICAL_SHELF_S if alarm.priority is Priority.CRITICAL else LONGEST_SHELF_S
        self.longest_min = longest_s / 60.0

    def compose(self) -> ComposeResult:
        """Words, lines to fill in, what is wrong with them."""
        with Vertical(classes="box"):
            yield _picture("away-title", self._head())
            yield _picture("away-why-label", [(Run(" Why?", "label"),)])
            yield LineInput(
                "",
                _LONGEST_WHY,
                id="away-why",
                help_title="The reason",
                help_text="Why the alarm may be silent, so that whoever comes next knows: the heater is in "
                "the workshop, say. It is needed, and stands in the record with your user name.",
            )
            if self._shelve:
                yield _picture("away-minutes-label", [(Run(" For how many minutes?", "label"),)])
                yield LineInput(
                    f"{min(30.0, self.longest_min):g}",
                    8,
                    id="away-minutes",
                    help_title="How long",
                    help_text=f"Minutes, more than 0 and at most {self.longest_min:g}. Then the alarm comes "
                    "back by itself; it comes back at once if it gets worse.",
                )
            yield _picture("away-said", [(), ()], 2)

    def _head(self) -> list[Line]:
        lines: list[Line] = [()]
        lines.extend((Run(" " + row, "bright"),) for row in wrap(self._title, _WIDTH - 2))
        if self._shelve:
            text = (
                f"At most {words.span(self.longest_min)} for what is {self._alarm.priority.value}. "
                "The water is watched on: it comes back when the time is over, and at once if it gets worse."
            )
        else:
            text = (
                "From then on nobody judges this condition of this tank, until someone brings it back. "
                "It has no end by itself: shelve it instead if it is only for a time."
            )
        lines.extend((Run(" " + row, "text"),) for row in wrap(text, _WIDTH - 2))
        return lines

    def on_mount(self) -> None:
        """Show the words."""
        for picture in self.query(_Said):
            picture.show_own()
        self._check()

    @on(Input.Changed)
    def _check(self) -> None:
        trouble = self._trouble()
        ways: Line = (Run(" Enter ", "bright"), Run("put it away   "), Run("Esc ", "bright"), Run("leave it"))
        self.query_one("#away-said", Picture).show([(), (Run(f" {trouble}", "bright"),) if trouble else ways])

    def _trouble(self) -> str:
        if self._shelve and self._minutes() is None:
            return f"Minutes: more than 0 and at most {self.longest_min:g}."
        return "" if self._why() else "A reason is needed; it is kept in the record."

    def _why(self) -> str:
        return self.query_one("#away-why", Input).value.strip()

    def _minutes(self) -> float | None:
        text = self.query_one("#away-minutes", Input).value.strip().replace(",", ".")
        try:
            minutes = float(text)
        except ValueError:
            return None
        return minutes if 0.0 < minutes <= self.longest_min else None

    @on(Input.Submitted)
    def _submitted(self) -> None:
        if self._trouble():
            self.action_field(1)
        else:
            self.dismiss(Away(self._alarm, self._why(), self._minutes() if self._shelve else None))

    def action_field(self, step: int) -> None:
        """Go to the other line."""
        lines = list(self.query(Input))
        at = next((i for i, line in enumerate(lines) if line.has_focus), 0)
        lines[(at + step) % len(lines)].focus()

    def action_cancel(self) -> None:
        """Leave the alarm as it is."""
        self.dismiss(None)


class _Said(Picture):
    """A picture that knows its lines before it is mounted."""

    def __init__(self, lines: list[Line], id: str) -> None:  # noqa: A002
        super().__init__(id=id, ground="bar", classes="-fixed")
        self._own = lines

    def show_own(self) -> None:
        self.show(self._own)


def _picture(ident: str, lines: list[Line], height: int | None = None) -> _Said:
    picture = _Said(lines, ident)
    picture.styles.height = height or len(lines)
    return picture
