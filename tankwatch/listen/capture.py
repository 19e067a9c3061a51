"""Everything that sources bring, as it comes: the watch's own sources, with their decoders put aside.

Each source runs in a thread of its own for as long as the capture lasts; one that fails is tried again.
"""

import queue
import threading
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from tankwatch.clock import Clock, SystemClock
from tankwatch.config import (
    ChannelConfig,
    MqttSourceConfig,
    OneWireSourceConfig,
    SerialSourceConfig,
    SourceConfig,
)
from tankwatch.decode.channel import BoundChannel
from tankwatch.decode.decoder import Decoded, Decoder
from tankwatch.decode.refused import Refused
from tankwatch.errors import TankwatchError
from tankwatch.reading import Channel
from tankwatch.sources.base import Link, Source
from tankwatch.sources.inbox import Inbox
from tankwatch.sources.mqtt import MqttSource
from tankwatch.sources.onewire import OneWireSource
from tankwatch.sources.serial import SerialSource
from tankwatch.sources.topics import TopicTable

_RETRY_S = 0.5
_MOST_WAITING = 50_000


@dataclass(frozen=True, slots=True)
class Arrival:
    """One payload, line or reading of a sensor."""

    source: str
    kind: str
    where: str
    """Topic, port, or name of the 1-wire device."""
    payload: bytes
    arrived_s: float
    retained: bool = False
    decoded: Decoded | None = None
    """What a source decoded; None where it was left to the listener."""


class Capture:
    """Runs sources and hands out what comes in."""

    def __init__(self, clock: Clock | None = None) -> None:
        """Start with nothing to listen to."""
        self.clock = clock or SystemClock()
        self.trouble: dict[str, str] = {}
        """What last went wrong, by source; a source that is connected has no entry."""
        self.connected: set[str] = set()
        """Sources that were connected at some time."""
        self._arrivals: queue.Queue[Arrival] = queue.Queue(_MOST_WAITING)
        self._links: list[Link] = []
        self._threads: list[threading.Thread] = []

    def everything_of(self, config: SourceConfig, filters: Iterable[str] = ("#",)) -> None:
        """Listen to all that the source carries; `filters` are the topics of a broker."""
        source: Source
        if isinstance(config, MqttSourceConfig):
            source = _AllTopics(config, tuple(filters), self)
        elif isinstance(config, SerialSourceConfig):
            source = _AllLines(config, self)
        else:
            source = OneWireSource(config, list(_sensors_of(config)))
        self.run(source)

    def run(self, source: Source) -> None:
        """Run a source until the end of the capture; what it decodes is handed out with the payload."""
        link = _CapturingLink(source, self)
        thread = threading.Thread(
            target=self._keep_running, args=(source, link), name=f"source {source.source_id}", daemon=True
        )
        self._links.append(link)
        self._threads.append(thread)
        thread.start()

    def _keep_running(self, source: Source, link: Link) -> None:
        while not link.stopping:
            try:
                source.run(link)
            except TankwatchError as error:
                self.trouble[source.source_id] = str(error)
            except Exception as error:
                self.trouble[source.source_id] = f"{type(error).__name__}: {error}"
            link.wait(_RETRY_S)

    def put(self, arrival: Arrival) -> None:
        """Take in one arrival, from any thread; what comes while nobody takes is dropped."""
        try:
            self._arrivals.put_nowait(arrival)
        except queue.Full:
            self.trouble[arrival.source] = f"too much at once: over {_MOST_WAITING} messages waited"

    def arrivals(self, seconds: float) -> Iterator[Arrival]:
        """Yield what comes in during the next `seconds`."""
        until_s = time.monotonic() + seconds
        while (left_s := until_s - time.monotonic()) > 0:
            try:
                yield self._arrivals.get(timeout=min(left_s, 0.2))
            except queue.Empty:
                continue

    def stop(self) -> None:
        """End all sources; wait a few seconds for their threads."""
        for link in self._links:
            link.stop()
        for thread, link in zip(self._threads, self._links, strict=True):
            thread.join(5.0)
            if not thread.is_alive():
                link.close()


class _CapturingLink(Link):
    """Hands on what a source delivers."""

    def __init__(self, source: Source, capture: Capture) -> None:
        super().__init__(source.source_id, Inbox(1), capture.clock)
        self._source, self._capture = source, capture

    def connected(self, detail: str) -> None:
        self._capture.connected.add(self._source.source_id)
        self._capture.trouble.pop(self._source.source_id, None)
        super().connected(detail)

    def deliver(self, decoded: Decoded, payload: bytes, where: str = "") -> None:
        if decoded is _LEFT_TO_THE_LISTENER:
            return
        retained = any(reading.retained for reading in decoded.readings)
        self._capture.put(
            Arrival(
                self._source.source_id,
                self._source.kind,
                where or self._source.address,
                payload,
                self.clock.wall_s(),
                retained,
                decoded,
            )
        )

    def refuse(self, refused: Refused, payload: bytes = b"", where: str = "") -> None:
        self.deliver(Decoded([], [refused]), payload, where)


_LEFT_TO_THE_LISTENER = Decoded([], [])


class _PutAside(Decoder):
    """Decodes nothing: puts the payload aside for the listener."""

    def __init__(self, source: str, kind: str, where: str, capture: Capture) -> None:
        super().__init__(source, [])
        self._at, self._capture = (source, kind, where), capture

    def decode(self, payload: bytes, arrived_s: float, *, retained: bool = False) -> Decoded:
        self._capture.put(Arrival(*self._at, payload, arrived_s, retained))
        return _LEFT_TO_THE_LISTENER


class _Filters(TopicTable):
    """Topic filters of no channel."""

    def __init__(self, source: str, filters: tuple[str, ...], capture: Capture) -> None:
        super().__init__(source, [])
        self._filters, self._id, self._capture = filters, source, capture

    def decoder(self, topic: str) -> Decoder:
        return _PutAside(self._id, "mqtt", topic, self._capture)

    def subscriptions(self) -> list[str]:
        return list(self._filters)


class _AllTopics(MqttSource):
    def __init__(self, config: MqttSourceConfig, filters: tuple[str, ...], capture: Capture) -> None:
        super().__init__(config.model_copy(update={"client_id": ""}), [])
        self._topics = _Filters(config.id, filters, capture)


class _AllLines(SerialSource):
    def __init__(self, config: SerialSourceConfig, capture: Capture) -> None:
        super().__init__(config, [])
        self._decoder = _PutAside(config.id, "serial", self.address, capture)


def _sensors_of(config: OneWireSourceConfig) -> Iterator[BoundChannel]:
    """Yield a channel for each sensor that is on the bus now."""
    folders = sorted(config.path.iterdir()) if config.path.is_dir() else []
    for folder in folders:
        if (folder / "w1_slave").exists():
            channel = ChannelConfig(kind=Channel.TEMPERATURE, source=config.id, name=folder.name)
            yield BoundChannel("tank", channel)
