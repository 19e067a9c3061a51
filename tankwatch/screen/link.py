"""The link to the watch: it comes back by itself, and always knows how old its picture is."""

import asyncio
from collections.abc import Awaitable, Callable
from enum import StrEnum

from tankwatch.clock import Clock
from tankwatch.errors import ControlError
from tankwatch.screen.feed import LiveFeed
from tankwatch.snapshot import RoomSnapshot

OLD_AFTER_S = 5.0
"""A picture older than this is no longer believed: pictures come once a second."""
_BACK_OFF_S = (1.0, 2.0, 4.0, 8.0)


class LinkState(StrEnum):
    """How the screen stands to the watch."""

    CONNECTING = "connecting"
    LIVE = "live"
    OLD = "old picture"
    ABSENT = "no watch"


class Link:
    """Follows the watch for as long as the screen lives."""

    def __init__(self, feed: LiveFeed, clock: Clock) -> None:
        """Nothing is opened before `follow` runs."""
        self._feed = feed
        self._clock = clock
        self._heard_at: float | None = None
        self.snapshot: RoomSnapshot | None = None
        """The newest picture, however old."""
        self.trouble = ""
        """Why there is no link, in the words of the error."""

    @property
    def age_s(self) -> float | None:
        """Seconds since the newest picture came, by the monotonic clock; None if none ever came."""
        return None if self._heard_at is None else self._clock.monotonic_s() - self._heard_at

    @property
    def state(self) -> LinkState:
        """How the link stands now."""
        old = self.age_s is not None and self.age_s > OLD_AFTER_S
        if self.trouble:
            return LinkState.OLD if self.snapshot is not None else LinkState.ABSENT
        if self.snapshot is None:
            return LinkState.CONNECTING
        return LinkState.OLD if old else LinkState.LIVE

    def take(self, snapshot: RoomSnapshot) -> None:
        """Take in one picture."""
        self.snapshot = snapshot
        self._heard_at = self._clock.monotonic_s()
        self.trouble = ""

    async def follow(
        self,
        on_news: Callable[[], None],
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        """Follow the watch for ever: `on_news` is called after each picture and each break of the link."""
        tries = 0
        while True:
            try:
                async for snapshot in self._feed.snapshots():
                    tries = 0
                    self.take(snapshot)
                    on_news()
                self.trouble = "the watch closed the link"
            except ControlError as error:
                self.trouble = str(error)
            on_news()
            await sleep(_BACK_OFF_S[min(tries, len(_BACK_OFF_S) - 1)])
            tries += 1
