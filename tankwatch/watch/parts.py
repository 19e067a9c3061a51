"""What the judge needs of the parts around it, and nothing more; the real ones and the tests' fit alike."""

from typing import Any, Protocol

from tankwatch.alarms.model import Transition
from tankwatch.reading import Reading, ServiceMark
from tankwatch.snapshot import SourceSnapshot, StoreSnapshot
from tankwatch.store.entry import LogEntry


class ReadingInbox(Protocol):
    """Where the sources leave their readings."""

    def take(self, timeout_s: float) -> list[Reading]:
        """Return what has come, oldest first; wait up to `timeout_s` if there is nothing."""
        ...


class SourceHealth(Protocol):
    """What the sources say of themselves."""

    def health(self) -> tuple[SourceSnapshot, ...]:
        """Return the health of every source, in the order of the configuration."""
        ...


class Keeper(Protocol):
    """Where things are kept; no method waits for the disk."""

    def put_readings(self, readings: list[Reading]) -> None:
        """Keep readings; retained ones are not kept, and service readings are kept as marks."""
        ...

    def put_steps(self, steps: list[Transition]) -> None:
        """Keep steps of alarms."""
        ...

    def put_mark(self, tank: str, mark: ServiceMark, time_s: float, who: str) -> None:
        """Keep a service mark."""
        ...

    def put_log(self, entry: LogEntry) -> None:
        """Keep an entry of the care log."""
        ...

    def put_memory(self, key: str, value: dict[str, Any]) -> None:
        """Keep what was learned, in place of what was there."""
        ...

    def health(self) -> StoreSnapshot:
        """Return how the store does."""
        ...
