"""Hands in the tank: the questions asked before work begins and before it ends."""

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen

from tankwatch.reading import ServiceMark
from tankwatch.screen import advice, keys
from tankwatch.screen.explained import Explains
from tankwatch.screen.ink import Line, Run, clean, wrap
from tankwatch.screen.picture import Picture

_WIDTH = 58


class ServiceBegin(Explains, ModalScreen[ServiceMark | None]):
    """Shows the cautions and asks what kind of work begins; answers None for none."""

    AUTO_FOCUS = ""
    BINDINGS: ClassVar[list[BindingType]] = list(keys.SERVICE_DIALOG)
    HELP_TITLE = "Work in a tank"
    HELP = (
        "Say so before hands or tools go in. While work is marked, alarms that it explains are held back: a"
        " lifted probe, a heater that is off, a swing. What the fish feel is still told: water that leaves "
        "its limits or changes too fast. When the level goes down the heater is watched: it must be off "
        "while it may be dry."
    )

    def __init__(self, name: str) -> None:
        """Ask for the tank called `name`."""
        super().__init__()
        self._lines = _lines(
            f"Work in {clean(name)}",
            advice.SERVICE_CAUTIONS,
            "What the work explains is held back meanwhile; what the fish feel is still told.",
            (("1", "hands in, the water level stays"), ("2", "the water level goes down"), ("Esc", "cancel")),
        )

    def compose(self) -> ComposeResult:
        """One box of text."""
        yield from _box(self._lines)

    def on_mount(self) -> None:
        """Show the text."""
        self.query_one(Picture).show(self._lines)

    def action_begin(self, mark: str) -> None:
        """Answer with the kind of work."""
        self.dismiss(ServiceMark(mark))

    def action_cancel(self) -> None:
        """Answer with none."""
        self.dismiss(None)


class ServiceEnd(Explains, ModalScreen[bool]):
    """Asks whether everything is back before the work is marked as over."""

    AUTO_FOCUS = ""
    BINDINGS: ClassVar[list[BindingType]] = list(keys.SERVICE_END)
    HELP_TITLE = "The end of the work"
    HELP = (
        "Go through the questions in front of the tank, not from memory. After yes every alarm counts "
        "again, and the tank settles for a while before its heater is judged."
    )

    def __init__(self, name: str) -> None:
        """Ask for the tank called `name`."""
        super().__init__()
        self._lines = _lines(
            f"Is the work in {clean(name)} over?",
            (
                "Is the heater wholly under water, and only then plugged in again?",
                "Do the filter and the air run?",
                "Is the probe back in the water, the lid on?",
                "Does the new water match the tank's temperature?",
            ),
            "After yes, every alarm counts again.",
            (("y", "yes, it is over"), ("n", "not yet")),
        )

    def compose(self) -> ComposeResult:
        """One box of text."""
        yield from _box(self._lines)

    def on_mount(self) -> None:
        """Show the text."""
        self.query_one(Picture).show(self._lines)

    def action_finish(self, over: bool) -> None:
        """Answer."""
        self.dismiss(over)


def _box(lines: list[Line]) -> ComposeResult:
    with Vertical(classes="box"):
        picture = Picture(ground="bar")
        picture.styles.height = len(lines)
        yield picture


def _lines(
    title: str, points: tuple[str, ...], note: str, choices: tuple[tuple[str, str], ...]
) -> list[Line]:
    lines: list[Line] = [(), (Run(" " + title, "bright"),), ()]
    for point in points:
        rows = wrap(point, _WIDTH - 5)
        lines.extend((Run(" – " if i == 0 else "   ", "label"), Run(row)) for i, row in enumerate(rows))
    lines.append(())
    lines.extend((Run(" " + row, "label"),) for row in wrap(note, _WIDTH - 3))
    lines.append(())
    lines.extend((Run(f" {key:<4}", "bright"), Run(word)) for key, word in choices)
    lines.append(())
    return lines
