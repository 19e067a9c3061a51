"""Listening in the background: what a full screen can look at again and again without ever waiting."""

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from tankwatch.config import SourceConfig
from tankwatch.errors import TankwatchError
from tankwatch.listen.capture import Capture
from tankwatch.listen.listen import Listening
from tankwatch.listen.tables import source_table

_EVERY_S = 1.0
_SHARE = 5.0
"""A look at thousands of streams takes a while: so many times as long passes before the next."""


@dataclass(frozen=True, slots=True)
class Hearing:
    """What was heard so far."""

    streams: Sequence[dict[str, Any]] = ()
    """As in the report of `Listening`, those of a tank first."""
    unreadable: Sequence[dict[str, Any]] = ()
    """Topics and ports with payloads that cannot be read, as in the report."""
    configuration: str | None = None
    """A whole configuration file; None where no stream is a tank's so far."""
    listened_s: float = 0.0
    connected: tuple[str, ...] = ()
    """Ids of the sources that answered."""
    trouble: dict[str, str] = field(default_factory=dict)
    """What last went wrong, by the id of the source; by nothing where there is no source."""


class Listener(Protocol):
    """Whatever listens: an `Ear`, or what a test puts in its place. No method waits for anything."""

    @property
    def hearing(self) -> Hearing:
        """What was heard so far."""

    def start(self) -> None:
        """Begin to listen."""

    def stop(self) -> None:
        """Ask for the end."""


class Ear:
    """Listens in a thread of its own from `start` to `stop`."""

    def __init__(self, sources: Callable[[], Sequence[SourceConfig]]) -> None:
        """Listen to what `sources` returns; it is called in the thread, for looking for ports takes time."""
        self._sources = sources
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="ear", daemon=True)
        self._hearing = Hearing()

    @property
    def hearing(self) -> Hearing:
        """What was heard so far; a new object about once a second."""
        return self._hearing

    def start(self) -> None:
        """Begin to listen."""
        self._thread.start()

    def stop(self) -> None:
        """Ask for the end, which comes in the thread."""
        self._ended.set()

    def join(self, timeout_s: float) -> bool:
        """Wait for the end; return whether it came."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        capture = Capture()
        try:
            self._listen(capture)
        except TankwatchError as error:
            self._fail(str(error))
        except Exception as error:
            self._fail(f"listening ended: {type(error).__name__}: {error}")
        finally:
            capture.stop()

    def _fail(self, why: str) -> None:
        self._hearing = Hearing(trouble={"": why})

    def _listen(self, capture: Capture) -> None:
        sources = self._sources()
        tables = [source_table(source) for source in sources]
        for source in sources:
            capture.everything_of(source)
        listening = Listening()
        began_s = time.monotonic()
        pause_s = _EVERY_S
        while not self._ended.is_set():
            for arrival in capture.arrivals(pause_s):
                listening.take(arrival)
                if self._ended.is_set():
                    return
            looked_s = time.monotonic()
            report = listening.report(tables)
            self._hearing = Hearing(
                report["streams"],
                report["unreadable"],
                report["configuration"],
                looked_s - began_s,
                tuple(sorted(capture.connected)),
                dict(capture.trouble),
            )
            pause_s = max(_EVERY_S, _SHARE * (time.monotonic() - looked_s))
