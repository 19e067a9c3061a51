"""What can be asked of the history of one room, wherever it is kept: a file, or a PostgreSQL server."""

from pathlib import Path
from typing import Any, Protocol

from tankwatch.alarms.model import Alarm, Transition
from tankwatch.config_types import is_url
from tankwatch.errors import StoreError
from tankwatch.reading import Channel
from tankwatch.store.entry import Dropped, LogEntry, StoredMark, StoredMessage
from tankwatch.store.runs import WatchRun
from tankwatch.store.series import HOLD_S, Series

FOREVER_S = 1e11
"""Beyond any stamp, s."""


class RoomReader(Protocol):
    """Questions about one room. Times are seconds since 1970 UTC; stretches include both ends.

    Every method raises StoreError if the store cannot be reached or read.
    """

    def series(
        self, tank: str, channel: Channel, from_s: float, to_s: float, buckets: int | None = None
    ) -> Series:
        """Return the readings of one channel, or their extremes and means in `buckets` equal parts.

        Empty buckets are left out: a gap stays a gap.
        """
        ...

    def last_values(self) -> dict[tuple[str, Channel], tuple[float, float]]:
        """Return time (s) and value of the newest reading of every channel of every tank."""
        ...

    def on_time_s(
        self, tank: str, channel: Channel, from_s: float, to_s: float, *, hold_s: float = HOLD_S
    ) -> float:
        """Return for how many seconds a heater or light was on; a state holds at most `hold_s`."""
        ...

    def span(self) -> tuple[float, float] | None:
        """Return the times of the first and the last reading, or None if there is none."""
        ...

    def dropped(self) -> list[Dropped]:
        """Return what was given up by age or for want of room, oldest note first."""
        ...

    def steps(self, from_s: float, to_s: float, tank: str | None = None) -> list[Transition]:
        """Return the steps of alarms, oldest first; of one tank, or of all and of the room."""
        ...

    def standing_alarms(self) -> list[Alarm]:
        """Return every alarm whose latest step did not end it, oldest number first."""
        ...

    def marks(
        self, from_s: float = -FOREVER_S, to_s: float = FOREVER_S, tank: str | None = None
    ) -> list[StoredMark]:
        """Return the service marks, oldest first."""
        ...

    def log(
        self,
        from_s: float = -FOREVER_S,
        to_s: float = FOREVER_S,
        tank: str | None = None,
        kind: str | None = None,
    ) -> list[LogEntry]:
        """Return the entries of the care log, oldest first."""
        ...

    def memory(self, key: str) -> dict[str, Any] | None:
        """Return what was kept under `key`, or None."""
        ...

    def outbox(self, state: str | None = None) -> list[StoredMessage]:
        """Return the messages for people, oldest first: all, or those in `state`."""
        ...

    def runs(self, from_s: float = -FOREVER_S, to_s: float = FOREVER_S) -> list[WatchRun]:
        """Return the runs of the watch that touch the stretch, oldest first."""
        ...

    def blind_times(self, from_s: float, to_s: float) -> list[tuple[float, float]]:
        """Return the stretches in which no watch ran, in time order."""
        ...


def open_reader(where: str | Path, room: str) -> RoomReader:
    """Return the history of `room` (its slug) at `where`: a file, or `postgresql://USER@HOST/DATABASE`.

    Nothing is opened yet. A file holds one room only, whatever it is called.

    Raises:
        StoreError: `where` is an address of another kind.
    """
    text = str(where)
    if is_url(text):
        from tankwatch.store.postgres.reader import PostgresReader

        return PostgresReader(text, room)
    if "://" in text:
        raise StoreError(
            f"{text.partition(':')[0]} is no kind of store: expected the path of a file, or "
            "postgresql://USER@HOST/DATABASE"
        )
    from tankwatch.store.reader import StoreReader

    return StoreReader(Path(text))
