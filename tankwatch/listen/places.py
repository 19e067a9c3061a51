"""Where one can listen: a broker, every serial port, a 1-wire bus; each as the source of a configuration."""

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from tankwatch.config import MqttSourceConfig, OneWireSourceConfig, SerialSourceConfig, SourceConfig
from tankwatch.errors import UsageError

W1_PATH = Path("/sys/bus/w1/devices")
_ROUND_S = 2.0


@dataclass(frozen=True, slots=True)
class Where:
    """What a keeper chose to listen to."""

    kind: Literal["mqtt", "serial", "onewire"]
    host: str = "127.0.0.1"
    """Of a broker."""
    port: int = 1883
    """Of a broker."""
    tls: bool = False
    """Whether the connection to the broker is encrypted."""
    username: str | None = None
    """At the broker."""
    password_file: Path | None = None
    """File whose first line is the password at the broker."""
    baud: int = 115_200
    """Speed of serial ports, bits per second."""

    @property
    def label(self) -> str:
        """The place for people."""
        if self.kind == "mqtt":
            return f"the broker at {self.host}:{self.port}"
        return "every serial port" if self.kind == "serial" else "the 1-wire bus"

    def sources(self) -> list[SourceConfig]:
        """Return what to listen to; looks for ports, so not for an event loop.

        Raises:
            UsageError: there is no such thing on this machine.
        """
        if self.kind == "mqtt":
            return [
                MqttSourceConfig(
                    id="broker",
                    kind="mqtt",
                    host=self.host,
                    port=self.port,
                    tls=self.tls,
                    username=self.username,
                    password_file=self.password_file,
                )
            ]
        if self.kind == "onewire":
            if not W1_PATH.is_dir():
                raise UsageError(f"there is no 1-wire bus: no {W1_PATH}; see configs/onewire_board.toml")
            return [bus_source()]
        ports = port_sources(baud=self.baud)
        if not ports:
            raise UsageError("there is no serial port of a USB adapter; plug the probe in and try again")
        return ports


def bus_source(path: Path = W1_PATH) -> SourceConfig:
    """Return the 1-wire bus as a source."""
    return OneWireSourceConfig(id="bus", kind="onewire", path=path, interval_s=_ROUND_S)


def port_sources(named: str = "", baud: int = 115_200) -> list[SourceConfig]:
    """Return the port that is named, or every USB adapter, by the name that stays the same.

    Raises:
        UsageError: the ports cannot be listed now.
    """
    from serial.tools import list_ports

    if named:
        return [SerialSourceConfig(id="serial", kind="serial", port=named, baud=baud)]
    try:
        devices = sorted(port.device for port in list_ports.comports() if port.vid is not None)
    except (OSError, TypeError, ValueError) as error:  # an adapter was pulled during the search
        raise UsageError(f"the serial ports changed while they were listed ({error}); try again") from error
    by_id = {str(link.resolve()): str(link) for link in sorted(Path("/dev/serial/by-id").glob("*"))}
    return [
        SerialSourceConfig(id=f"serial{n}", kind="serial", port=by_id.get(device, device), baud=baud)
        for n, device in enumerate(devices, 1)
    ]
