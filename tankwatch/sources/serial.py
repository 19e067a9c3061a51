"""Probes on serial ports, most of them USB adapters: lines in, readings out; unplugged and replugged at will.

`import serial` means pyserial here as everywhere: imports are absolute, and this module's full name is
`tankwatch.sources.serial`.
"""

import selectors
import termios
from typing import ClassVar

import serial
from serial.tools import list_ports

from tankwatch.config import SerialSourceConfig
from tankwatch.decode.channel import BoundChannel
from tankwatch.decode.decoder import Decoder
from tankwatch.decode.lines import LineBuffer
from tankwatch.errors import SourceError
from tankwatch.sources.base import BEAT_S, Link, Source

_CHUNK_BYTES = 4096
_SILENCE_S = 300.0
"""A port that gave nothing for so long is opened anew: some adapters hang without an error."""

_FAULTS = (OSError, termios.error)
"""What pyserial raises when a device is pulled: SerialException is an OSError, termios.error is not."""


class SerialSource(Source):
    """Reads lines from one port, found by its path or by the serial number of its USB adapter."""

    kind: ClassVar[str] = "serial"
    retry_at_most_s: ClassVar[float] = 2.0

    def __init__(
        self, config: SerialSourceConfig, channels: list[BoundChannel], *, longest_interval_s: float = 0.0
    ) -> None:
        """Prepare; `longest_interval_s` is how seldom its probes may speak."""
        self._config = config
        self._decoder = Decoder(config.id, channels, by_line=True)
        self._silence_s = max(_SILENCE_S, 3 * longest_interval_s)

    @property
    def source_id(self) -> str:
        """Its id in the configuration."""
        return self._config.id

    @property
    def address(self) -> str:
        """The port's path, or the serial number of the adapter."""
        return self._config.port or f"USB adapter {self._config.usb_serial}"

    def run(self, link: Link) -> None:
        """Open the port and deliver line after line until the link stops.

        Raises:
            SourceError: the port is absent, in use, was unplugged, or hangs.
        """
        path = self._config.port or find_port(self._config.usb_serial or "")
        try:
            port = serial.Serial(path, self._config.baud, timeout=0, exclusive=True)
        except (*_FAULTS, ValueError) as error:
            raise SourceError(f"{path}: cannot be opened: {_words(error)}") from error
        try:
            opened_s = link.clock.monotonic_s()
            link.connected(f"{path} at {self._config.baud} baud")
            self._read_lines(port, path, link, opened_s)
        except _FAULTS as error:
            raise SourceError(f"{path}: unplugged or failed: {_words(error)}") from error
        finally:
            port.close()

    def _read_lines(self, port: serial.Serial, path: str, link: Link, opened_s: float) -> None:
        buffer = LineBuffer()
        clock = link.clock
        heard_s = opened_s
        # Opening discards what had come before, so bytes that follow at once are the end of a line whose
        # beginning is lost. A probe writes a line in one go: after a pause a new one begins.
        maybe_half: bool | None = None
        pause_s = max(0.05, 200.0 / self._config.baud)  # twenty characters of ten bits
        with selectors.DefaultSelector() as selector:
            selector.register(port.fileno(), selectors.EVENT_READ)
            selector.register(link.wake_fd, selectors.EVENT_READ)
            while not link.stopping:
                link.beat()
                if not selector.select(BEAT_S):
                    if clock.monotonic_s() - heard_s > self._silence_s:
                        raise SourceError(f"{path}: silent for {self._silence_s:.0f} s; opening it anew")
                    continue
                if link.stopping:
                    return
                chunk = port.read(_CHUNK_BYTES)
                heard_s = clock.monotonic_s()
                if maybe_half is None:
                    maybe_half = heard_s - opened_s < pause_s
                for line in buffer.feed(chunk):
                    if maybe_half:
                        maybe_half = False
                        if not line.lstrip().startswith((b"[", b"{")):  # JSON shows that it is whole
                            continue
                    link.deliver(self._decoder.decode(line, clock.wall_s()), line)


def find_port(usb_serial: str) -> str:
    """Return the path of the adapter with this serial number, or `vid:pid@location` for one without.

    Raises:
        SourceError: it is not plugged in, two have the same number, or the ports cannot be listed.
    """
    try:
        ports = list(list_ports.comports())
    except (*_FAULTS, TypeError, ValueError) as error:
        # A device that vanishes during the search makes pyserial stumble over its missing numbers.
        raise SourceError(f"USB adapters changed while looking for {usb_serial}; looking again") from error
    names = {port.device: _adapter_names(port) for port in ports}
    found = [device for device, own in names.items() if usb_serial in own]
    if len(found) == 1:
        return str(found[0])
    if found:
        raise SourceError(
            f"USB adapter {usb_serial}: {', '.join(found)} share this number; set port to a path below "
            f"/dev/serial/by-path"
        )
    seen = ", ".join(own[0] for own in names.values() if own) or "none"
    raise SourceError(f"USB adapter {usb_serial}: not plugged in; seen: {seen}")


def _adapter_names(port: "list_ports.ListPortInfo") -> list[str]:
    own = [port.serial_number] if port.serial_number else []
    if port.vid is not None and port.pid is not None:
        own.append(f"{port.vid:04x}:{port.pid:04x}@{port.location}")
    return own


def _words(error: Exception) -> str:
    number = getattr(error, "errno", None)
    if number == 11:  # EAGAIN of the exclusive lock
        return "in use by another program"
    if number == 13:
        return "permission denied; add this user to the group that owns the port (often dialout)"
    if number == 2:
        return "not there; is it plugged in?"
    return str(error)
