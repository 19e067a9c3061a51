"""One room heard from afar in the place of a watch on this machine: the same pages draw it."""

import asyncio
from collections.abc import AsyncGenerator, Mapping, Sequence
from typing import NoReturn, Protocol

from tankwatch.alarms.model import Alarm, AlarmState, Condition, Transition
from tankwatch.clock import Clock
from tankwatch.errors import ControlError, StoreError
from tankwatch.reading import Channel, ServiceMark
from tankwatch.rooms.heard import Word
from tankwatch.rooms.hub import Hub
from tankwatch.screen.feed import EntryLike, MarkLike, StoredSeries
from tankwatch.screen.link import Link, LinkState
from tankwatch.screen.rooms.standing import UNHEARD
from tankwatch.snapshot import RoomSnapshot

PICTURE_EVERY_S = 1.0
ANSWER_WITHIN_S = 10.0
_LOOK_EVERY_S = 0.1
_OPEN = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED})


class Acknowledger(Protocol):
    """Sends acknowledgements to a room."""

    def acknowledge(self, room_id: str, alarm_id: int, who: str) -> None:
        """Send one.

        Raises:
            ControlError: there is no connection, or the room has not permitted it.
        """
        ...


class RoomFeed:
    """The live feed of one room: pictures come, acknowledgements go; the rest is done in the room itself."""

    def __init__(self, room_id: str, hub: Hub, sender: Acknowledger) -> None:
        """Follow `room_id` in `hub`."""
        self.room_id = room_id
        self._hub = hub
        self._sender = sender

    async def snapshots(self) -> AsyncGenerator[RoomSnapshot, None]:
        """Yield the picture of the room once a second, for as long as it is looked at.

        Raises:
            ControlError: the room has told nothing of itself yet.
        """
        while True:
            snapshot = self._hub.snapshot(self.room_id)
            if snapshot is None:
                raise ControlError("this room has told nothing of its tanks yet")
            yield snapshot
            await asyncio.sleep(PICTURE_EVERY_S)

    async def acknowledge(self, alarm_id: int, who: str) -> None:
        """Send an acknowledgement, and wait until the room says that it was taken."""
        await self.acknowledge_all([alarm_id], who)

    async def acknowledge_all(self, alarm_ids: Sequence[int], who: str) -> None:
        """Send acknowledgements together, and wait until the room says that all were taken.

        Raises:
            ControlError: one was not permitted, or the room does not answer in time.
        """
        for alarm_id in alarm_ids:
            self._sender.acknowledge(self.room_id, alarm_id, who)
        try:
            async with asyncio.timeout(ANSWER_WITHIN_S):
                while self._still_open(alarm_ids):
                    await asyncio.sleep(_LOOK_EVERY_S)
        except TimeoutError:
            raise ControlError(
                f"it was sent, and the room has not answered within {ANSWER_WITHIN_S:.0f} s: the link may be "
                "down, or the broker does not let this user acknowledge"
            ) from None

    def _still_open(self, alarm_ids: Sequence[int]) -> bool:
        snapshot = self._hub.snapshot(self.room_id)
        alarms: tuple[Alarm, ...] = snapshot.alarms if snapshot is not None else ()
        return any(alarm.alarm_id in alarm_ids and alarm.state in _OPEN for alarm in alarms)

    async def shelve(self, alarm_id: int, minutes: float, why: str, who: str) -> None:
        """Not from afar."""
        _only_there()

    async def unshelve(self, alarm_id: int, who: str) -> None:
        """Not from afar."""
        _only_there()

    async def take_out_of_service(self, tank: str, condition: Condition, why: str, who: str) -> None:
        """Not from afar."""
        _only_there()

    async def return_to_service(self, alarm_id: int, who: str) -> None:
        """Not from afar."""
        _only_there()

    async def reset(self, alarm_id: int, who: str) -> None:
        """Not from afar."""
        _only_there()

    async def mark(self, tank: str, mark: ServiceMark, who: str) -> None:
        """Not from afar."""
        _only_there()

    async def log(self, tank: str | None, kind: str, text: str, who: str) -> None:
        """Not from afar."""
        _only_there()


def _only_there() -> NoReturn:
    raise ControlError(
        "from here alarms can be acknowledged and nothing else; do it on the room's own screen"
    )


class RoomLink(Link):
    """How this screen stands to a room: as live as the room's signs of life."""

    def __init__(self, feed: RoomFeed, hub: Hub, clock: Clock, broker_trouble: "BrokerTrouble") -> None:
        """Judge by what `hub` hears; `broker_trouble` says why nothing is heard at all, if so."""
        super().__init__(feed, clock)
        self._hub = hub
        self._room_id = feed.room_id
        self._broker_trouble = broker_trouble

    def take(self, snapshot: RoomSnapshot) -> None:
        """Take in one picture, with why it may not be believed."""
        super().take(snapshot)
        status = self._hub.status(self._room_id)
        if self._broker_trouble():
            self.trouble = self._broker_trouble()
        elif status is not None and status.word is not Word.ONLINE:
            self.trouble = UNHEARD[status.word]

    @property
    def age_s(self) -> float | None:
        """Seconds since the room's last sign of life."""
        status = self._hub.status(self._room_id)
        return None if status is None else status.age_s

    @property
    def state(self) -> LinkState:
        """How the link stands now."""
        if self.snapshot is None:
            return LinkState.CONNECTING
        return LinkState.OLD if self.trouble else LinkState.LIVE


class BrokerTrouble(Protocol):
    """Says why no room is heard; an empty text while the broker is there."""

    def __call__(self) -> str:
        """Return why, or nothing."""
        ...


class NoHistory:
    """The history of a room whose store is elsewhere."""

    def series(self, tank: str, channel: Channel, from_s: float, to_s: float, buckets: int) -> StoredSeries:
        """There is none here."""
        _not_here()

    def steps(self, from_s: float, to_s: float, tank: str | None = None) -> Sequence[Transition]:
        """There is none here."""
        _not_here()

    def marks(self, from_s: float, to_s: float, tank: str | None = None) -> Sequence[MarkLike]:
        """There is none here."""
        _not_here()

    def log(self, from_s: float, to_s: float, tank: str | None = None) -> Sequence[EntryLike]:
        """There is none here."""
        _not_here()

    def last_values(self) -> Mapping[tuple[str, Channel], tuple[float, float]]:
        """There is none here."""
        return {}


def _not_here() -> NoReturn:
    raise StoreError("No history here: the room keeps it in its own store.")
