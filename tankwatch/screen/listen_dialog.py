"""Asks where to listen for probes: at a broker, at every serial port, or at the 1-wire bus."""

from pathlib import Path
from typing import ClassVar, Literal

from textual import on
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Horizontal, Vertical
from textual.screen import ModalScreen
from textual.widgets import Input

from tankwatch.errors import UsageError
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
_LABELS = {
    "kind": " listen to",
    "host": " host",
    "port": " port",
    "tls": " TLS",
    "username": " user",
    "password": " password in",
    "baud": " bits/s",
}
_FIELDS: dict[str, tuple[str, ...]] = {
    "mqtt": ("kind", "host", "port", "tls", "username", "password"),
    "serial": ("kind", "baud"),
    "onewire": ("kind",),
}
_PLAIN_PORT, _TLS_PORT = "1883", "8883"
_YES = "yes"
_ABOUT = {
    "mqtt": "Every topic of the broker. User and password only where it asks for them.",
    "serial": "Every USB adapter. The speed is what the board's program says; 115200 is usual.",
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
        """A title, the lines of the kind that is chosen, and how to end."""
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
                _PLAIN_PORT,
                5,
                id="port",
                help_title="port",
                help_text="Its TCP port: 1883 is usual, 8883 with TLS.",
            ),
            Choice(
                ("no", _YES),
                "",
                id="tls",
                help_title="TLS",
                help_text="Encrypt the connection, where the broker offers it. A broker whose certificate no "
                "public authority signed needs ca_file: put that into the file afterwards.",
            ),
            LineInput(
                "", 255, id="username", help_title="user", help_text="Name at the broker; may be empty."
            ),
            LineInput(
                "",
                1024,
                id="password",
                help_title="password in",
                help_text="A file whose first line is the password; only you may be able to read it "
                "(chmod 600). The password itself is never typed here.",
            ),
            LineInput(
                "115200",
                7,
                id="baud",
                help_title="bits/s",
                help_text="Speed of the serial line in bits per second, as the board's program sets it.",
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
    def _follow_tls(self) -> None:
        """Change the usual port with TLS; another port is left as it is."""
        port = self.query_one("#port", Input)
        with_tls = self.query_one("#tls", Choice).value == _YES
        if port.value == (_PLAIN_PORT if with_tls else _TLS_PORT):
            port.value = _TLS_PORT if with_tls else _PLAIN_PORT

    @on(Choice.Changed)
    @on(Input.Changed)
    def _renew(self, said: str = "") -> None:
        for name in _LABELS:
            self.query_one(f"#row-{name}").display = name in _FIELDS[self._kind]
        about = said if isinstance(said, str) and said else _ABOUT[self._kind]
        lines: list[Line] = [()]
        lines += [(Run(" " + row, "bright" if about is said else "label"),) for row in wrap(about, _WIDTH, 2)]
        lines += [()] * (3 - len(lines))
        lines.append((Run(" Enter ", "bright"), Run("listen   "), Run("Esc ", "bright"), Run("cancel")))
        self.query_one("#listen-about", Picture).show(lines)

    def action_field(self, step: int) -> None:
        """Go to another line."""
        names = _FIELDS[self._kind]
        at = next((i for i, name in enumerate(names) if self.query_one(f"#{name}").has_focus), 0)
        self.query_one(f"#{names[(at + step) % len(names)]}").focus()

    @on(Input.Submitted)
    def action_start(self) -> None:
        """Answer with what was chosen, unless it cannot be."""
        try:
            where = self._where()
        except UsageError as error:
            self._renew(str(error))
        else:
            self.dismiss(where)

    def _where(self) -> Where:
        """Return what was chosen.

        Raises:
            UsageError: a field holds what cannot be.
        """

        def text(name: str) -> str:
            return self.query_one(f"#{name}", Input).value.strip()

        if self._kind == "onewire":
            return Where("onewire")
        if self._kind == "serial":
            baud = text("baud")
            if not baud.isascii() or not baud.isdigit() or not 300 <= int(baud) <= 4_000_000:
                raise UsageError("The speed is a number from 300 to 4000000; 115200 is usual")
            return Where("serial", baud=int(baud))
        host, port = text("host").strip("[]"), text("port")
        if not host or not host.isprintable() or " " in host:
            raise UsageError("A name or an address is needed for the host, such as 192.168.1.10")
        if not port.isascii() or not port.isdigit() or not 0 < int(port) < 65536:
            raise UsageError("The port is a number from 1 to 65535; 1883 is usual")
        if text("password") and not text("username"):
            raise UsageError("A password needs the name of its user")
        return Where(
            "mqtt",
            host,
            int(port),
            tls=self.query_one("#tls", Choice).value == _YES,
            username=text("username") or None,
            password_file=_readable(text("password")) if text("password") else None,
        )

    def action_cancel(self) -> None:
        """Answer with none."""
        self.dismiss(None)


def _readable(name: str) -> Path:
    """Return the whole path of a file that can be read.

    Raises:
        UsageError: it cannot.
    """
    try:
        path = Path(name).expanduser().resolve()
        path.open("rb").close()
    except (OSError, RuntimeError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "no such place"
        raise UsageError(f"The file of the password cannot be read: {reason}") from error
    return path
