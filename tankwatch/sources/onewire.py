"""Temperature sensors on the 1-wire bus of a Linux board, through the driver's sysfs files.

Reading a sensor's file makes it measure, which blocks for up to 0.75 s (DS18B20 data sheet, table 3), so
the sensors are read one after another in the thread of the source.
"""

from typing import ClassVar

from tankwatch.config import OneWireSourceConfig
from tankwatch.decode import w1_slave
from tankwatch.decode.channel import BoundChannel
from tankwatch.decode.decoder import Decoded
from tankwatch.decode.refused import Reason, Refused
from tankwatch.errors import SourceError
from tankwatch.sources.base import Link, Source

_MAX_BYTES = 1024


class OneWireSource(Source):
    """Reads every sensor that a channel names, once a round."""

    kind: ClassVar[str] = "onewire"
    retry_at_most_s: ClassVar[float] = 2.0

    def __init__(self, config: OneWireSourceConfig, channels: list[BoundChannel]) -> None:
        """Prepare for the sensors that `channels` name."""
        self._config = config
        self._sensors: dict[str, list[BoundChannel]] = {}
        for channel in channels:
            self._sensors.setdefault(channel.config.name or "", []).append(channel)

    @property
    def source_id(self) -> str:
        """Its id in the configuration."""
        return self._config.id

    @property
    def address(self) -> str:
        """The folder of the bus."""
        return str(self._config.path)

    def run(self, link: Link) -> None:
        """Read round after round until the link stops.

        Raises:
            SourceError: there is no bus, or not one of the sensors is on it.
        """
        while not link.stopping:
            begun_s = link.clock.monotonic_s()
            present = [name for name in self._sensors if self._read(name, link)]
            if self._sensors and not present and not link.stopping:
                if not self._config.path.is_dir():
                    raise SourceError(f"{self.address}: no 1-wire bus; load its driver, or correct path")
                names = ", ".join(self._sensors)
                raise SourceError(f"{self.address}: none of the sensors is on the bus: {names}")
            link.connected(f"{self.address}: {len(present)} of {len(self._sensors)} sensors present")
            link.wait(self._config.interval_s - (link.clock.monotonic_s() - begun_s))

    def _read(self, name: str, link: Link) -> bool:
        """Read one sensor and deliver; return whether it is on the bus."""
        link.beat()
        if link.stopping:
            return False
        try:
            with (self._config.path / name / "w1_slave").open("rb") as file:
                text = file.read(_MAX_BYTES)
        except OSError as error:  # ENOENT: gone; ENODEV and EIO: going
            link.refuse(Refused(Reason.NO_ANSWER, f"cannot be read: {error.strerror}"), where=name)
            return False
        decoded = Decoded([], [])
        try:
            celsius = w1_slave.temperature_c(text)
        except Refused as refused:
            decoded.refused.append(refused)
        else:
            now_s = link.clock.wall_s()
            for channel in self._sensors[name]:
                try:
                    decoded.readings.append(channel.reading(celsius, "Cel", now_s, False, self.source_id))
                except Refused as refused:
                    decoded.refused.append(refused)
        link.deliver(decoded, text, where=name)
        return True
