"""Walking through a filling in lifts: first the dose, then the water, one lift after the other."""

from collections.abc import Callable
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen

from tankwatch.care import cautions
from tankwatch.care.filling import Lift
from tankwatch.screen import keys
from tankwatch.screen.care.fill_form import lift_entry
from tankwatch.screen.care.form import Entry
from tankwatch.screen.explained import Explains
from tankwatch.screen.ink import Line, Run, clean, wrap
from tankwatch.screen.picture import Picture

_WIDTH = 58


class LiftDialog(Explains, ModalScreen[bool]):
    """Asks for each dose before its water; each lift that was done goes into the log at once."""

    AUTO_FOCUS = ""
    BINDINGS: ClassVar[list[BindingType]] = list(keys.LIFT)
    HELP_TITLE = "Filling in lifts"
    HELP = (
        "Each lift is dosed for the whole tank before its water runs in, because tap water must never meet "
        "fish untreated. Confirm the dose, then the water; each lift that is done stands in the care log at"
        " once."
    )

    def __init__(self, name: str, lifts: tuple[Lift, ...], note: str, keep: Callable[[Entry], None]) -> None:
        """Walk through `lifts` of the tank called `name`; `keep` writes an entry."""
        super().__init__()
        self._tank = name
        self._lifts = lifts
        self._note = note
        self._keep = keep
        self.at = 0
        """Index of the lift that is being done."""
        self.dosed = False
        """Its dose is in the tank."""

    def compose(self) -> ComposeResult:
        """One box."""
        with Vertical(classes="box tall"):
            yield Picture(ground="bar")

    def on_mount(self) -> None:
        """Show the first lift."""
        self.call_after_refresh(self._show)

    def action_next(self) -> None:
        """Note that the dose is in, or that the water has run in."""
        if self.at >= len(self._lifts):
            self.dismiss(True)
            return
        if not self.dosed:
            self.dosed = True
        else:
            last = self.at == len(self._lifts) - 1
            self._keep(lift_entry(self._lifts[self.at], len(self._lifts), self._note if last else ""))
            self.at, self.dosed = self.at + 1, False
        self._show()

    def action_stop(self) -> None:
        """Stop; what was done is in the log already."""
        if self.dosed and self.at < len(self._lifts):
            lift = self._lifts[self.at]
            total = "" if lift.total_dose.ml is None else f"; {lift.total_dose.ml:.3g} mL given today"
            self._keep(Entry("dose", f"{lift.dose} for lift {lift.number}, no water run in after it{total}"))
        self.dismiss(self.at >= len(self._lifts))

    def _show(self) -> None:
        picture = self.query_one(Picture)
        picture.show(
            draw_lifts(self._tank, self._lifts, self.at, self.dosed, max(30, picture.size.width - 2))
        )


def draw_lifts(name: str, lifts: tuple[Lift, ...], at: int, dosed: bool, width: int) -> list[Line]:
    """Return the lifts with what is done, what is next, and the caution."""
    lines: list[Line] = [
        (),
        (Run(f" Filling {clean(name)}: conditioner first, then the water", "bright"),),
        (),
    ]
    for i, lift in enumerate(lifts):
        done = i < at
        sign, role = ("✓", "label") if done else ("›", "bright") if i == at else (" ", "label")
        warm = "" if lift.water_c is None else f", tank at {lift.water_c:.2f} °C"
        water = f"{lift.litres:.1f} L, level up {lift.raise_cm:.1f} cm{warm}"
        text = f"lift {lift.number}: {lift.dose}, then {water}"
        lines.extend(
            (Run(f" {sign if row == 0 else ' '} ", role), Run(part, role))
            for row, part in enumerate(wrap(text, width - 4))
        )
    lines.append(())
    if at < len(lifts):
        lift = lifts[at]
        now = (
            f"Run in {lift.litres:.1f} L, no more. The dose is in: let it mix through the tank first."
            if dosed
            else f"Give {lift.dose} to the tank. No water yet."
        )
        lines.extend((Run(" " + part, "bright"),) for part in wrap(now, width - 2))
        lines.append(())
        lines.append((Run(" Enter ", "bright"), Run("the water is in   " if dosed else "the dose is in   "),
                      Run("Esc ", "bright"), Run("stop here")))  # fmt: skip
    else:
        lines.append((Run(" All lifts are done and in the log.", "bright"),))
        lines.append(())
        lines.append((Run(" Enter ", "bright"), Run("back")))
    lines.append(())
    for caution in (cautions.HEATER_OUT_OF_WATER, cautions.DOSE):
        lines.extend((Run(" " + part, "label"),) for part in wrap(caution, width - 2))
    return lines
