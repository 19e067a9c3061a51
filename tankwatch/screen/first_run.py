"""The screen without a configuration: what to do first, and a file to begin with."""

from collections.abc import Callable
from pathlib import Path
from typing import ClassVar

from textual.app import App, ComposeResult
from textual.binding import BindingType

from tankwatch.config_path import FILE_NAME
from tankwatch.listen.ear import Ear, Listener
from tankwatch.listen.places import Where
from tankwatch.screen import advice, keys
from tankwatch.screen.heard_page import HeardPage
from tankwatch.screen.ink import Line, Run, clean, wrap
from tankwatch.screen.listen_dialog import ListenDialog
from tankwatch.screen.palette import THEME
from tankwatch.screen.picture import Picture
from tankwatch.screen.without_colour import honour_no_color

FIRST_FILE = """\
# A first configuration: one tank, read from an MQTT broker. Change what differs, then run:
#   tankwatch check     tells what each tank will be watched for
#   tankwatch watch     watches; leave it running
#   tankwatch screen    shows the room

[room]
name = "My room"
timezone = "Etc/UTC"          # such as Europe/Lisbon: light hours and nights are local

[[source]]
id = "broker"
kind = "mqtt"
host = "127.0.0.1"

[[tank]]
id = "t01"
name = "First tank"
volume_l = 100.0
setpoint_c = 25.0
heater_w = 100.0

[[tank.channel]]
kind = "temperature"
source = "broker"
topic = "fish/t01/temperature"
decode = "number"
"""

_STEPS = (
    ("See how it looks", "tankwatch demo", "An invented room with simulated tanks; it keeps nothing."),
    (
        "See what your probes send",
        "tankwatch listen",
        "l listens from here: to a broker, serial ports or 1-wire, and writes the file for what it hears.",
    ),
    (
        "Describe your tanks",
        FILE_NAME,
        "Or w writes a first one here: one tank, one probe. Change it with any editor.",
    ),
    ("Have it checked", "tankwatch check", "Says file, line and what was expected where something is wrong."),
    ("Watch", "tankwatch watch", "Leave it running: it watches, this screen only shows."),
    ("Look", "tankwatch screen", "This screen, in another terminal."),
)


class FirstRun(App[None]):
    """Guidance for the first run."""

    TITLE = "tankwatch"
    CSS_PATH = "look.tcss"
    BINDINGS: ClassVar[list[BindingType]] = list(keys.FIRST_RUN)
    ENABLE_COMMAND_PALETTE = False

    def __init__(self, said: str, folder: Path, listen_to: Callable[[Where], Listener] | None = None) -> None:
        """Show `said`, why there is no configuration; a first file would be written to `folder`.

        `listen_to` returns what listens at a place; none: an `Ear`.
        """
        super().__init__()
        honour_no_color(self)
        self._listen_to = listen_to or (lambda where: Ear(where.sources))
        self._said = said
        self._folder = folder
        self._outcome = ""

    def compose(self) -> ComposeResult:
        """One picture."""
        yield Picture(id="first")

    def on_mount(self) -> None:
        """Show the guidance."""
        self.register_theme(THEME)
        self.theme = THEME.name
        self.call_after_refresh(self._show)

    def on_resize(self) -> None:
        """Break the text anew."""
        self.call_after_refresh(self._show)

    def _show(self) -> None:
        picture = self.screen_stack[0].query_one("#first", Picture)
        picture.show(draw_first(self._said, self._outcome, max(30, picture.size.width - 2)))

    def action_write(self) -> None:
        """Write a first file, unless there is one."""
        path = self._folder / FILE_NAME
        try:
            with path.open("x", encoding="utf-8") as file:
                file.write(FIRST_FILE)
        except OSError as error:
            self._outcome = f"Not written: {path}: {error.strerror}"
        else:
            self._outcome = f"Written: {path}. Change it, then: tankwatch check"
        self._show()

    def action_listen(self) -> None:
        """Ask where to listen, and listen there."""
        self.push_screen(ListenDialog(), self._listen)

    def _listen(self, where: Where | None) -> None:
        if where is not None:
            self.push_screen(HeardPage(where, self._listen_to(where), self._folder), self._heard)

    def _heard(self, said: str | None) -> None:
        if said:
            self._outcome = said
            self._show()

    def action_scroll(self, rows: int) -> None:
        """Scroll."""
        self.query_one("#first", Picture).scroll_relative(y=rows, animate=False)


def draw_first(said: str, outcome: str, width: int) -> list[Line]:
    """Return the guidance as lines."""
    lines: list[Line] = [
        (),
        (Run(" tankwatch watches heated fish tanks.", "bright"),),
        (Run(" It has no room to show yet.", "bright"),),
    ]
    if outcome:
        lines.extend((Run(" " + row, "bright"),) for row in wrap(clean(outcome), width - 1))
    else:
        lines.extend((Run(" " + row, "label"),) for row in wrap(clean(said), width - 1))
    lines.append(())
    ways = (Run(" l ", "bright"), Run("listen for probes   "), Run("w ", "bright"))
    lines.append((*ways, Run(f"write {FILE_NAME}   "), Run("q ", "bright"), Run("close")))
    lines.append(())
    for number, (what, command, about) in enumerate(_STEPS, 1):
        lines.append((Run(f" {number} ", "label"), Run(f"{what}: ", "text"), Run(command, "bright")))
        lines.extend((Run("   " + row, "label"),) for row in wrap(about, width - 4))
    lines.append(())
    for caution in (advice.UNPLUG_FIRST, advice.ELECTRICIAN, advice.WATCHES_ONLY):
        lines.extend((Run(" " + row, "label"),) for row in wrap(caution, width - 1))
    return lines
