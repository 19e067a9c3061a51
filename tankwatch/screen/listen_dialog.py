"""Asks where to listen for probes: at a broker, at every serial port, or at the 1-wire bus."""

from typing import ClassVar, Literal

from textual import on
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Horizontal, Vertical
from textual.screen import ModalScreen
from textual.widgets import Input

from tankwatch.listen.places import Where
from tankwatch.screen import keys
from tankwatch.screen.care.choice import Choice
from tankwatch.screen.explained import Explains
from tankwatch.screen.ink import Line, Run, wrap
from tankwatch.screen.line_input import LineInput
from tankwatch.screen.picture import Picture

_KINDS: dict[str, Literal["mqtt", "serial", "onewire"]] = {
    "MQTT broker": "mqtt",
    "serial ports": "serial",
    "1-wire bus": "onewire",
}
_LABELS = {"kind": " listen to", "host": " host", "port": " port"}
_ABOUT = {
    "mqtt": "Every topic of the broker. For one that asks for a password or TLS: tankwatch listen --help",
    "serial": "Every USB adapter, at 115200 bits per second. For another speed: tankwatch listen --help",
    "onewire": "The sensors on the bus of this board.",
}
_WIDTH = 56


class ListenDialog(Explains, ModalScreen[Where | None]):
    """Answers with where to listen, or None."""

    AUTO_FOCUS = "#kind"
    BINDINGS: ClassVar[list[BindingType]] = list(keys.LISTEN_DIALOG)
    HELP_TITLE = "Where to listen"
    HELP = (
        "Choose what your probes send to. Nothing is changed there: tankwatch only listens, and proposes a "
        "configuration for what it hears."
    )

    def compose(self) -> ComposeResult:
        """A title, three lines, and how to end."""
        fields: tuple[Choice | Input, ...] = (
            Choice(
                tuple(_KINDS),
                "",
                id="kind",
                help_title="listen to",
                help_text="An MQTT broker for probes in a network, serial ports for boards on USB, the "
                "1-wire bus for sensors wired to the pins of this board.",
            ),
            LineInput(
                "127.0.0.1",
                255,
                id="host",
                help_title="host",
                help_text="Name or address of the broker; 127.0.0.1 is this machine.",
            ),
            LineInput(
                "1883",
                5,
                id="port",
                help_title="port",
                help_text="Its TCP port: 1883 is usual, 8883 with TLS.",
            ),
        )
        with Vertical(classes="box"):
            title = Picture(ground="bar", id="listen-title")
            title.styles.height = 3
            yield title
            for field in fields:
                with Horizontal(classes="listen-row", id=f"row-{field.id}"):
                    yield Picture(ground="bar", id=f"label-{field.id}")
                    yield field
            about = Picture(ground="bar", id="listen-about")
            about.styles.height = 5
            yield about

    def on_mount(self) -> None:
        """Show the words around the lines."""
        self.query_one("#listen-title", Picture).show(
            [(), (Run(" Where do your probes send to?", "bright"),), ()]
        )
        for name, label in _LABELS.items():
            self.query_one(f"#label-{name}", Picture).show([(Run(label, "label"),)])
        self._renew()

    @property
    def _kind(self) -> Literal["mqtt", "serial", "onewire"]:
        return _KINDS[self.query_one("#kind", Choice).value]

    @on(Choice.Changed)
    @on(Input.Changed)
    def _renew(self, said: str = "") -> None:
        for name in ("host", "port"):
            self.query_one(f"#row-{name}").display = self._kind == "mqtt"
        about = said if isinstance(said, str) and said else _ABOUT[self._kind]
        lines: list[Line] = [()]
        lines += [(Run(" " + row, "bright" if about is said else "label"),) for row in wrap(about, _WIDTH, 2)]
        lines += [()] * (3 - len(lines))
        lines.append((Run(" Enter ", "bright"), Run("listen   "), Run("Esc ", "bright"), Run("cancel")))
        self.query_one("#listen-about", Picture).show(lines)

    def action_field(self, step: int) -> None:
        """Go to another line."""
        names = ("kind", "host", "port") if self._kind == "mqtt" else ("kind",)
        at = next((i for i, name in enumerate(names) if self.query_one(f"#{name}").has_focus), 0)
        self.query_one(f"#{names[(at + step) % len(names)]}").focus()

    @on(Input.Submitted)
    def action_start(self) -> None:
        """Answer with what was chosen, unless it cannot be."""
        host = self.query_one("#host", Input).value.strip().strip("[]")
        port = self.query_one("#port", Input).value.strip()
        if self._kind != "mqtt":
            self.dismiss(Where(self._kind))
        elif not host or not host.isprintable() or " " in host:
            self._renew("A name or an address is needed for the host, such as 192.168.1.10")
        elif not port.isascii() or not port.isdigit() or not 0 < int(port) < 65536:
            self._renew("The port is a number from 1 to 65535; 1883 is usual")
        else:
            self.dismiss(Where("mqtt", host, int(port)))

    def action_cancel(self) -> None:
        """Answer with none."""
        self.dismiss(None)
