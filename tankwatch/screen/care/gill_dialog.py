"""Counting gill beats: a key at each beat, and the rate with its exact interval while one counts."""

from dataclasses import dataclass
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen

from tankwatch.care.gill_beats import GillCount, gill_rate
from tankwatch.clock import Clock
from tankwatch.screen import keys
from tankwatch.screen.explained import Explains
from tankwatch.screen.ink import Line, Run, wrap
from tankwatch.screen.picture import Picture

WINDOW_S = 30.0
"""Length of a count; it ends by itself."""
LEAST_S = 10.0
"""A shorter count says too little to be kept."""
_WIDTH = 56


@dataclass(frozen=True, slots=True)
class Counted:
    """Beats within some seconds."""

    beats: int
    seconds: float


class GillDialog(Explains, ModalScreen[Counted | None]):
    """Counts taps for half a minute; answers with the count, or None."""

    AUTO_FOCUS = ""
    BINDINGS: ClassVar[list[BindingType]] = list(keys.GILL)
    HELP_TITLE = "Counting gill beats"
    HELP = (
        "Choose one calm fish and press the key at each beat of its gill cover. The first beat starts the "
        "clock, the count ends by itself after 30 s; from 10 s on it can be used. The interval beside the "
        "rate says how sure so short a count is."
    )

    def __init__(self, clock: Clock) -> None:
        """Wait for the first tap."""
        super().__init__()
        self._clock = clock
        self._began_s: float | None = None
        self.beats = 0
        self._ended_s: float | None = None

    def compose(self) -> ComposeResult:
        """One box."""
        with Vertical(classes="box"):
            picture = Picture(ground="bar")
            picture.styles.height = 12
            yield picture

    def on_mount(self) -> None:
        """Show how it goes; look at the clock once a second."""
        self.set_interval(1.0, self.look_at_clock)
        self._show()

    @property
    def seconds(self) -> float:
        """Seconds counted so far, at most `WINDOW_S`."""
        if self._began_s is None:
            return 0.0
        now_s = self._clock.monotonic_s() if self._ended_s is None else self._ended_s
        return min(WINDOW_S, now_s - self._began_s)

    @property
    def is_over(self) -> bool:
        """The half minute is over."""
        return self._began_s is not None and self.seconds >= WINDOW_S

    def action_beat(self) -> None:
        """Begin, or count one beat; a beat after the end does not count."""
        if self._began_s is None:
            # The beat that starts the clock is its zero: the count is of those that follow.
            self._began_s = self._clock.monotonic_s()
        elif not self.is_over:
            self.beats += 1
        self._show()

    def look_at_clock(self) -> None:
        """Show the seconds."""
        if self._began_s is not None:
            self._show()

    def action_done(self) -> None:
        """Answer with the count if it is long enough."""
        if self.seconds >= LEAST_S:
            self._ended_s = self._clock.monotonic_s()
            self.dismiss(Counted(self.beats, round(self.seconds, 1)))

    def action_again(self) -> None:
        """Throw the count away and wait for the first tap."""
        self._began_s, self.beats = None, 0
        self._show()

    def action_cancel(self) -> None:
        """Answer with none."""
        self.dismiss(None)

    def _show(self) -> None:
        self.query_one(Picture).show(draw_count(self.beats, self.seconds, self._began_s is not None))


def draw_count(beats: int, seconds: float, begun: bool) -> list[Line]:
    """Return the counter as lines: how to count, how far it is, and what it comes to."""
    lines: list[Line] = [(), (Run(" Count the gill beats of one calm fish", "bright"),), ()]
    if not begun:
        text = (
            "Space at a beat starts the clock; then Space at each further beat. It ends by itself after 30 s."
        )
        lines.extend((Run(" " + row),) for row in wrap(text, _WIDTH - 3))
    else:
        over = seconds >= WINDOW_S
        filled = int(28 * seconds / WINDOW_S)
        lines.append(
            (
                Run(f" {beats:>4} beats   ", "bright"),
                Run("━" * filled, "text"),
                Run("─" * (28 - filled), "faint"),
                Run(f" {int(seconds):>2} s", "label"),
            )
        )
        lines.append(())
        if seconds >= LEAST_S:
            rate = gill_rate(GillCount(beats, seconds, 25.0))  # the rate itself needs no temperature
            between = f"{rate.low_per_min:.0f} to {rate.high_per_min:.0f}"
            said = f"{rate.per_min:.0f} a minute; {between} by its exact Poisson interval"
            lines.extend((Run(" " + row, "bright" if over else "text"),) for row in wrap(said, _WIDTH - 3))
        if over:
            lines.append((Run(" The half minute is over.", "label"),))
    lines.append(())
    ways = (("Space", "beat"), ("Enter", "use it"), ("Bksp", "again"), ("Esc", "cancel"))
    line: list[Run] = []
    for shown, word in ways:
        line.extend((Run(f" {shown} ", "bright"), Run(word + "  ", "label")))
    lines.append(tuple(line))
    return lines
