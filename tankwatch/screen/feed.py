"""What the screen needs from outside: a live feed from the watch and the history in the store.

Both are protocols, so that tests and try-outs put their own behind the same screen.
"""

from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Protocol

import numpy as np
import numpy.typing as npt

from tankwatch.alarms.model import Condition, Transition
from tankwatch.reading import Channel, ServiceMark
from tankwatch.snapshot import RoomSnapshot

Floats = npt.NDArray[np.float64]

if TYPE_CHECKING:
    from tankwatch.review.review import RoomReview
    from tankwatch.review.span import Span
    from tankwatch.review.weeks import TankWeeks

Progress = Callable[[int, int], None]
"""Told from a thread how many parts of how many are done."""
Reviewer = Callable[["Span", float, Progress], "RoomReview"]
"""Reconstructs a stretch, reviewed at a time (s); called off the event loop, it may raise StoreError."""
WeeksReviewer = Callable[[str, int, float], "TankWeeks"]
"""Returns so many weeks of one tank before a time (s); called off the event loop, it may raise StoreError."""


class LiveFeed(Protocol):
    """The running watch."""

    def snapshots(self) -> AsyncIterator[RoomSnapshot]:
        """Yield pictures as they come, about one a second.

        Raises:
            ControlError: no watch answers, or the link ended.
        """
        ...

    async def acknowledge(self, alarm_id: int, who: str) -> None:
        """Say that `who` has seen an alarm.

        Raises:
            ControlError: no watch answers, or it refuses.
        """
        ...

    async def shelve(self, alarm_id: int, minutes: float, why: str, who: str) -> None:
        """Put an alarm away for some minutes.

        Raises:
            ControlError: no watch answers, or it refuses.
        """
        ...

    async def unshelve(self, alarm_id: int, who: str) -> None:
        """Bring a shelved alarm back.

        Raises:
            ControlError: no watch answers, or it refuses.
        """
        ...

    async def take_out_of_service(self, tank: str, condition: Condition, why: str, who: str) -> None:
        """Stop judging one condition of a tank.

        Raises:
            ControlError: no watch answers, or it refuses.
        """
        ...

    async def return_to_service(self, alarm_id: int, who: str) -> None:
        """Judge a condition again.

        Raises:
            ControlError: no watch answers, or it refuses.
        """
        ...

    async def reset(self, alarm_id: int, who: str) -> None:
        """Say that what latched an alarm has been put right.

        Raises:
            ControlError: no watch answers, or it refuses.
        """
        ...

    async def mark(self, tank: str, mark: ServiceMark, who: str) -> None:
        """Say that `who` begins or ends work in a tank.

        Raises:
            ControlError: no watch answers, or it refuses.
        """
        ...

    async def log(self, tank: str | None, kind: str, text: str, who: str) -> None:
        """Add an entry to the care log.

        Raises:
            ControlError: no watch answers, or it refuses.
        """
        ...


class SeriesLike(Protocol):
    """A series in buckets: arrays of one length, times ascending."""

    @property
    def time_s(self) -> Floats:
        """Middle of each bucket, seconds since 1970 UTC."""
        ...

    @property
    def low(self) -> Floats:
        """Smallest value of each bucket."""
        ...

    @property
    def high(self) -> Floats:
        """Largest value of each bucket."""
        ...

    @property
    def mean(self) -> Floats:
        """Mean of each bucket."""
        ...


class StoredSeries(SeriesLike, Protocol):
    """A series out of a store, which may be damaged here and there."""

    @property
    def damaged(self) -> Sequence[tuple[float, float]]:
        """Stretches, s, of which something is left out."""
        ...


class MarkLike(Protocol):
    """One service mark."""

    @property
    def mark(self) -> ServiceMark:
        """Its word."""
        ...

    @property
    def time_s(self) -> float:
        """When, seconds since 1970 UTC."""
        ...

    @property
    def who(self) -> str:
        """A person, or the source that sent it."""
        ...


class EntryLike(Protocol):
    """One entry of the care log."""

    @property
    def time_s(self) -> float:
        """When, seconds since 1970 UTC."""
        ...

    @property
    def kind(self) -> str:
        """What sort of work or observation, in one word."""
        ...

    @property
    def photos(self) -> tuple[str, ...]:
        """Paths of pictures."""
        ...

    @property
    def who(self) -> str:
        """Who did or saw it."""
        ...

    @property
    def text(self) -> str:
        """What was done or seen."""
        ...


class History(Protocol):
    """The store, read only. Every method may raise StoreError; all are called off the event loop."""

    def series(self, tank: str, channel: Channel, from_s: float, to_s: float, buckets: int) -> StoredSeries:
        """Return one channel between two times, in at most about `buckets` rows."""
        ...

    def steps(self, from_s: float, to_s: float, tank: str | None = None) -> Sequence[Transition]:
        """Return the steps of alarms between two times."""
        ...

    def marks(self, from_s: float, to_s: float, tank: str | None = None) -> Sequence[MarkLike]:
        """Return the service marks between two times, oldest first."""
        ...

    def log(self, from_s: float, to_s: float, tank: str | None = None) -> Sequence[EntryLike]:
        """Return the entries of the care log between two times, oldest first."""
        ...

    def last_values(self) -> Mapping[tuple[str, Channel], tuple[float, float]]:
        """Return time (s) and value of the newest reading of every channel of every tank."""
        ...
