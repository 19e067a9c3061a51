"""What ties a running watch to other places: the publisher of its room, and the ear of a centre."""

import logging
from collections.abc import Callable, Iterable
from concurrent.futures import Future
from typing import Protocol

from tankwatch.alarms.model import Priority
from tankwatch.clock import Clock
from tankwatch.config import Config
from tankwatch.control.protocol import Action
from tankwatch.notify.codes import load_signer
from tankwatch.rooms.heard import Word
from tankwatch.rooms.hub import Hub, RoomStatus
from tankwatch.rooms.listener import SUBJECT as CENTRE
from tankwatch.rooms.listener import RoomListener
from tankwatch.rooms.publisher import SUBJECT as PUBLISH
from tankwatch.rooms.publisher import RoomPublisher
from tankwatch.rooms.topics import Topics
from tankwatch.snapshot import RoomSnapshot, SourceSnapshot
from tankwatch.sources.inbox import Inbox
from tankwatch.sources.supervise import Supervisor

log = logging.getLogger(__name__)

ROOM = "room"
"""Kind of a room among the sources of a centre."""
_STATES = {Word.ONLINE: "connected", Word.WAITING: "connecting"}


class RoomLinks:
    """Publisher and listener of a configuration, whichever it names, each under its supervisor."""

    def __init__(
        self, config: Config, clock: Clock, *, carry: Callable[[Action], "Future[None]"], lost_after_s: float
    ) -> None:
        """Plan both; nothing is opened before `start`.

        A room that signed off counts as lost after `lost_after_s` seconds: links blink.

        Raises:
            StoreError: the key of acknowledgement tokens can be neither read nor made.
        """
        self._clock = clock
        self._lost_after_s = lost_after_s
        self._supervisors: list[Supervisor] = []
        self._publisher: RoomPublisher | None = None
        self._hub: Hub | None = None
        self._ear: Supervisor | None = None
        self._rooms: tuple[str, ...] = ()
        self._ended_s: dict[str, float] = {}
        nothing = Inbox(1)  # neither part brings readings
        if config.publish is not None:
            self._publisher = RoomPublisher(
                config.publish,
                config.room.slug,
                load_signer(config.store.path) if config.publish.acknowledge else None,
                clock,
                permit_s=config.notify.code_valid_h * 3600.0,
                carry=carry,
            )
            self._supervisors.append(Supervisor(self._publisher, nothing, clock, lost_after_s=lost_after_s))
        if config.centre is not None and config.centre.rooms:
            centre, topics = config.centre, Topics(config.centre.topic)
            self._rooms = centre.rooms
            self._hub = Hub(topics, clock, silent_after_s=centre.silent_after_s, expected=centre.rooms)
            filters = [topics.of(room, "online") for room in centre.rooms]
            ear = RoomListener(centre, self._hub, filters)
            self._ear = Supervisor(ear, nothing, clock, lost_after_s=lost_after_s)
            self._supervisors.append(self._ear)

    def start(self) -> None:
        """Start the threads and return at once."""
        for supervisor in self._supervisors:
            supervisor.start()

    def stop(self, timeout_s: float) -> None:
        """Say goodbye and stop the threads."""
        for supervisor in self._supervisors:
            supervisor.ask_to_stop()
        for supervisor in self._supervisors:
            if not supervisor.join(timeout_s):
                log.error("%s does not stop", supervisor.health().source_id)

    def publish(self, snapshot: RoomSnapshot) -> None:
        """Take a picture of the room; returns at once."""
        if self._publisher is not None:
            self._publisher.publish(snapshot)

    def health(self) -> tuple[SourceSnapshot, ...]:
        """Return how both stand, and at a centre each room that must be heard."""
        found = [supervisor.health() for supervisor in self._supervisors]
        if self._hub is None or self._ear is None:
            return tuple(found)
        # While the broker is away nobody knows anything of the rooms: that is one fault, and is told as one.
        can_hear = self._ear.health().state == "connected"
        statuses = {status.room_id: status for status in self._hub.statuses()}
        return (*found, *(self._room(statuses[room_id], can_hear) for room_id in self._rooms))

    def _room(self, status: RoomStatus, can_hear: bool) -> SourceSnapshot:
        state = _STATES.get(status.word, "lost") if can_hear else "connecting"
        now_s = self._clock.monotonic_s()
        if status.word in (Word.OFFLINE, Word.STOPPED) and can_hear:
            since_s = self._ended_s.setdefault(status.room_id, now_s)
            state = "lost" if now_s - since_s >= self._lost_after_s else "connecting"
        else:
            self._ended_s.pop(status.room_id, None)
        return SourceSnapshot(
            source_id=subject_of(status.room_id),
            kind=ROOM,
            state=state,
            detail=_SAID[status.word] if can_hear else "the broker of the rooms is away",
            last_heard_age_s=status.age_s,
        )


_SAID = {
    Word.ONLINE: "its watch is online",
    Word.WAITING: "not heard yet since this watch began to listen",
    Word.SILENT: "no sign of life from its watch",
    Word.OFFLINE: "its watch has lost the connection to its broker",
    Word.STOPPED: "its watch was stopped",
}


def subject_of(room_id: str) -> str:
    """Return the subject of an alarm about a room; no source can be called so."""
    return f"room {room_id}"


def subjects_of(config: Config) -> Iterable[str]:
    """Yield the subjects that alarms about these links can have."""
    if config.publish is not None:
        yield PUBLISH
    if config.centre is not None and config.centre.rooms:
        yield CENTRE
        yield from (subject_of(room_id) for room_id in config.centre.rooms)


def told_as(source: SourceSnapshot) -> tuple[str, Priority]:
    """Return what is said of a source that is lost, and how soon someone must act."""
    reason = source.detail or "no reason given"
    match source.kind:
        case RoomPublisher.kind:
            return (
                f"the broker for the centre does not take what this room publishes: {reason}; this room is "
                "watched all the same, but other places do not see it",
                Priority.LOW,
            )
        case RoomListener.kind:
            return f"the broker of the rooms is {source.state}: {reason}; no room is heard", Priority.HIGH
        case _ if source.kind == ROOM:
            return (
                f"{source.source_id} is not heard: {reason}; "
                "whether anybody watches its tanks is not known here",
                Priority.HIGH,
            )
    ends = "its tanks are not watched until it is back"
    if source.state == "connected":
        ends = "this ends when the connection has held for a while"
    return f"source {source.source_id} ({source.kind}) is {source.state}: {reason}; {ends}", Priority.HIGH


class Healthy(Protocol):
    """Something that says how its sources do."""

    def health(self) -> tuple[SourceSnapshot, ...]:
        """Return the health of every source."""
        ...


class AllHealth:
    """The health of several as one."""

    def __init__(self, *parts: Healthy) -> None:
        """Ask `parts` in order."""
        self._parts = parts

    def health(self) -> tuple[SourceSnapshot, ...]:
        """Return the health of all of them."""
        return tuple(source for part in self._parts for source in part.health())
