"""All rooms that a centre hears: takes what the broker brings, within bounds, and says how each room stands.

One thread brings messages, others ask; a lock keeps them apart, and nothing is done under it that waits.
"""

import threading
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from tankwatch.clock import Clock
from tankwatch.rooms.documents import MAX_BYTES, Online, Permits, State, TankStatus, read
from tankwatch.rooms.heard import HeardRoom, Word, standing
from tankwatch.rooms.topics import Place, Topics
from tankwatch.safetext import safe_text
from tankwatch.snapshot import RoomSnapshot

ROOMS_AT_MOST = 500
"""Rooms beyond it are not taken, and that is told."""
TANKS_IN_ALL_AT_MOST = 20_000
"""Statuses of tanks beyond it are refused: a bound on memory."""


@dataclass(frozen=True, slots=True)
class RoomStatus:
    """One room as a centre sees it now."""

    room_id: str
    name: str
    """Its own name, or its id before it has said one."""
    word: Word
    age_s: float | None
    """Seconds since its last sign of life."""
    tanks: int
    """As many as the room says it has."""
    left_out: int
    """So many of them beyond what one room may show here."""
    changes: int
    """Counts what concerns a keeper: it grows when an alarm, or the room's word, has changed."""


@dataclass(frozen=True, slots=True)
class Refusals:
    """What was not taken."""

    documents: int = 0
    last: str = ""
    """Which and why, fit to show."""
    rooms: int = 0
    """Messages of rooms beyond the bound."""


class Hub:
    """Hears all rooms; every method may be called from any thread."""

    def __init__(
        self, topics: Topics, clock: Clock, *, silent_after_s: float, expected: Iterable[str] = ()
    ) -> None:
        """Expect the rooms `expected`: each is there, silent, even if nothing was ever heard of it."""
        self._topics = topics
        self._clock = clock
        self._silent_after_s = silent_after_s
        self._lock = threading.Lock()
        self._rooms: dict[str, HeardRoom] = {}
        self._changes: Counter[str] = Counter()
        self._words: dict[str, Word] = {}
        self._expected = frozenset(expected)
        self._tanks = 0
        self._refused = 0
        self._last_refused = ""
        self._beyond = 0
        self.received = 0
        """Messages taken in, good and bad."""
        self.received_bytes = 0
        """Their topics and payloads."""
        for room_id in self._expected:
            self._room(room_id)

    def connected(self) -> None:
        """Note that rooms can be heard from now on: silence counts from here."""
        with self._lock:
            now_s = self._clock.monotonic_s()
            for room in self._rooms.values():
                room.since_s = now_s

    def take(self, topic: str, payload: bytes, retained: bool) -> None:
        """Take one message; what is wrong with it is counted and harms nothing."""
        with self._lock:
            self.received += 1
            self.received_bytes += len(topic) + len(payload)
            try:
                self._take(topic, payload, retained)
            except ValueError as error:
                self._refused += 1
                self._last_refused = safe_text(f"{topic}: {error}", 160)

    def _take(self, topic: str, payload: bytes, retained: bool) -> None:
        place = self._topics.read(topic)
        if place is None:
            raise ValueError("not a topic of a room")
        if not payload and place.kind != "permit":
            if place.kind in ("online", "state") and place.room not in self._expected:
                self._forget(place.room)  # someone has emptied the topic: the room is no more
            return
        room = self._room(place.room)
        if room is None:
            self._beyond += 1
        elif self._take_document(room, place, payload, retained):
            self._changes[place.room] += 1

    def _take_document(self, room: HeardRoom, place: Place, payload: bytes, retained: bool) -> bool:
        """Take a document of a room; tell whether an alarm of it has changed."""
        most = MAX_BYTES[place.kind]
        if place.kind == "online":
            room.take_online(read(Online, payload, most), retained=retained)
        elif place.kind == "state":
            before, count = standing(room.alarms()), len(room.tanks)
            room.take_state(read(State, payload, most), retained=retained)
            self._tanks += len(room.tanks) - count
            return standing(room.alarms()) != before
        elif not room.knows(place.tank):
            return False  # kept by the broker of a tank that is no more
        elif place.kind == "permit":
            room.take_permits(place.tank, read(Permits, payload, most) if payload else None)
        else:
            status = read(TankStatus, payload, most)
            if status.tank.tank_id != place.tank:
                raise ValueError("the tank is not that of the topic")
            if place.tank not in room.tanks:
                if self._tanks >= TANKS_IN_ALL_AT_MOST:
                    raise ValueError(f"more than {TANKS_IN_ALL_AT_MOST} tanks")
                self._tanks += 1
            return room.take_tank(status, retained=retained)
        return False

    def _forget(self, room_id: str) -> None:
        room = self._rooms.pop(room_id, None)
        self._tanks -= 0 if room is None else len(room.tanks)

    def _room(self, room_id: str) -> HeardRoom | None:
        room = self._rooms.get(room_id)
        if room is None and len(self._rooms) < ROOMS_AT_MOST:
            now_s = self._clock.monotonic_s()
            room = self._rooms[room_id] = HeardRoom(room_id, self._clock, self._silent_after_s, now_s)
        return room

    def statuses(self) -> list[RoomStatus]:
        """Return how every room stands, in the order of their ids."""
        with self._lock:
            return [self._status(self._rooms[room_id]) for room_id in sorted(self._rooms)]

    def status(self, room_id: str) -> RoomStatus | None:
        """Return how one room stands, or None for one that was never heard of."""
        with self._lock:
            room = self._rooms.get(room_id)
            return None if room is None else self._status(room)

    def _status(self, room: HeardRoom) -> RoomStatus:
        word = room.word
        if self._words.get(room.room_id) is not word:
            self._words[room.room_id] = word
            self._changes[room.room_id] += 1
        state = room.state
        return RoomStatus(
            room.room_id,
            room.room_id if state is None else state.room,
            word,
            room.pulse.age_s,
            0 if state is None else len(state.tanks) + state.left_out,
            0 if state is None else state.left_out,
            self._changes[room.room_id],
        )

    def snapshot(self, room_id: str) -> RoomSnapshot | None:
        """Return the picture of a room, or None before it has told of itself."""
        with self._lock:
            room = self._rooms.get(room_id)
            return None if room is None else room.snapshot()

    def permit(self, room_id: str, alarm_id: int) -> tuple[str, str, float] | None:
        """Return what acknowledges an alarm: run, token, the run's count now; None if not permitted."""
        with self._lock:
            room = self._rooms.get(room_id)
            if room is None or room.pulse.run is None or room.pulse.up_s is None:
                return None
            alarm = next((alarm for alarm in room.alarms() if alarm.alarm_id == alarm_id), None)
            token = None if alarm is None else room.token(alarm)
            return None if token is None else (room.pulse.run, token, room.pulse.up_s)

    def refusals(self) -> Refusals:
        """Return what was not taken."""
        with self._lock:
            return Refusals(self._refused, self._last_refused, self._beyond)
