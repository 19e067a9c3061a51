"""The contract that every kind of source keeps.

A source runs in one thread of its own, which its supervisor starts, watches and restarts. In `run` it

- opens what it reads from, and calls `link.connected` once readings can come in from then on;
- hands over what it decoded with `link.deliver`, in order of arrival; "no data" is simply no call;
- calls `link.beat` at least every few seconds, also while nothing comes in, and never blocks for longer;
- returns soon after `link.stopping` is true (`link.wake_fd` becomes readable then);
- raises `SourceError` when it cannot connect or is cut off: what failed, where, what to do;
- whichever way it ends, has closed its sockets, ports and files.
"""

import logging
import os
import threading
from abc import ABC, abstractmethod
from collections import Counter
from dataclasses import dataclass, field
from typing import ClassVar

from tankwatch.clock import Clock
from tankwatch.decode.decoder import Decoded
from tankwatch.decode.refused import Reason, Refused
from tankwatch.safetext import safe_text
from tankwatch.sources.inbox import Inbox

log = logging.getLogger(__name__)

BEAT_S = 1.0
"""Sources wait no longer than this between two beats."""


@dataclass
class Standing:
    """How a source stands; times are seconds of the monotonic clock."""

    changed_s: float
    """Since when it is connected, or not connected."""
    beat_s: float
    connected: bool = False
    detail: str = ""
    heard_s: float | None = None
    received: int = 0
    accepted: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    last_refused: str = ""


class Link:
    """What a running source has of the watch: its inbox, the clock, and a way to be told to stop."""

    def __init__(self, source_id: str, inbox: Inbox, clock: Clock) -> None:
        """Start as not connected."""
        self.clock = clock
        self._source_id = source_id
        self._inbox = inbox
        self._lock = threading.Lock()
        now_s = clock.monotonic_s()
        self._standing = Standing(changed_s=now_s, beat_s=now_s)
        self._stopping = threading.Event()
        self.wake_fd, self._wake_writer = os.pipe()

    @property
    def stopping(self) -> bool:
        """Whether the source is to end."""
        return self._stopping.is_set()

    def stop(self) -> None:
        """Tell the source to end; from any thread."""
        if not self._stopping.is_set():
            self._stopping.set()
            os.write(self._wake_writer, b"!")

    def close(self) -> None:
        """Release the wake-up pipe, once the source's thread has ended."""
        os.close(self.wake_fd)
        os.close(self._wake_writer)

    def wait(self, seconds: float) -> bool:
        """Wait, beating; return True at once when the source is to stop."""
        while seconds > 0 and not self._stopping.wait(min(seconds, BEAT_S)):
            seconds -= BEAT_S
            self.beat()
        return self.stopping

    def beat(self) -> None:
        """Give a sign of life."""
        self._standing.beat_s = self.clock.monotonic_s()

    def connected(self, detail: str) -> None:
        """Note that readings can come in now; `detail` says from where."""
        self._change(True, detail)

    def disconnected(self, detail: str) -> None:
        """Note that none can come in, and why."""
        self._change(False, detail)

    def _change(self, connected: bool, detail: str) -> None:
        with self._lock:
            standing = self._standing
            news = standing.connected != connected
            if news:
                standing.changed_s = self.clock.monotonic_s()
            standing.connected = connected
            standing.detail = safe_text(detail, 200)
        if news and connected:
            log.info("source %s: connected: %s", self._source_id, standing.detail)

    def deliver(self, decoded: Decoded, payload: bytes, where: str = "") -> None:
        """Hand over what one payload (from the topic or device `where`) gave, and count it."""
        readings, refusals = decoded
        standing = self._standing  # only the source's own thread counts here, so it takes no lock
        standing.received += 1
        standing.accepted += len(readings)
        standing.heard_s = self.clock.monotonic_s()
        for refused in refusals:
            self.refuse(refused, payload, where)
        self._inbox.put(readings)

    def refuse(self, refused: Refused, payload: bytes = b"", where: str = "") -> None:
        """Count a refusal, and keep it to be shown."""
        with self._lock:
            self._standing.refused[refused.reason.value] += 1
            if refused.reason is not Reason.CLOCK:
                place = f"{safe_text(where, 60)}: " if where else ""
                quote = f" ← {safe_text(payload, 80)}" if payload else ""
                self._standing.last_refused = f"{place}{refused}{quote}"

    def standing(self) -> Standing:
        """Return how things stand, as a copy."""
        with self._lock:
            now = self._standing
            return Standing(**{**vars(now), "refused": Counter(now.refused)})


class Source(ABC):
    """One place that readings come from; see the module's text for what `run` must keep to."""

    kind: ClassVar[str]
    """`mqtt`, `serial` or `onewire`, as in the configuration."""
    retry_at_most_s: ClassVar[float]
    """The longest pause between two attempts to connect."""

    @property
    @abstractmethod
    def source_id(self) -> str:
        """Its id in the configuration."""

    @property
    @abstractmethod
    def address(self) -> str:
        """Where it reads from, for people."""

    @abstractmethod
    def run(self, link: Link) -> None:
        """Connect and deliver until the link stops.

        Raises:
            SourceError: it cannot connect, or was cut off.
        """
