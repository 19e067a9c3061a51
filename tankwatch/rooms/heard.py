"""One room as it is heard from afar: what it said last, and how far that may be believed.

Ages are reckoned with the count of the room's own run (`pulse`), not with any wall clock.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from enum import StrEnum

from tankwatch.alarms.book import worst_first
from tankwatch.alarms.model import Alarm
from tankwatch.clock import Clock
from tankwatch.rooms.documents import TANKS_AT_MOST, Online, Permits, State, TankStatus
from tankwatch.rooms.pulse import Pulse, Said
from tankwatch.rooms.topics import OF_NO_TANK
from tankwatch.snapshot import LiveValue, RoomSnapshot, TankSnapshot

FULL_ROUNDS_MISSED = 3.0
"""A tank whose status was not renewed in so many rounds is stale, however lively its room."""
_BEATS_MISSED = 3.0


class Word(StrEnum):
    """How a room's watch is heard."""

    ONLINE = "online"
    WAITING = "waiting"
    """Only kept messages so far: nobody knows yet."""
    SILENT = "silent"
    """No sign of life for too long."""
    OFFLINE = "offline"
    """Signed off by its last will: its connection broke."""
    STOPPED = "stopped"
    """The watch was stopped by someone."""


@dataclass
class HeardRoom:
    """What one room said. Its fields are filled by whoever hears; times are monotonic seconds."""

    room_id: str
    clock: Clock
    silent_after_s: float
    since_s: float
    """Since when it could be heard: the later of the connection to the broker and the first mention."""
    state: State | None = None
    tanks: dict[str, "_Arrived"] = field(default_factory=dict)
    permits: dict[str, dict[int, str]] = field(default_factory=dict)
    """Tokens by alarm, by tank."""
    _kept: Online | None = None
    """The last word about being online, kept or not."""
    pulse: Pulse = field(init=False)
    _state_s: float = 0.0
    _known: frozenset[str] = frozenset()
    _ended: Word | None = None

    def __post_init__(self) -> None:
        """Begin without having heard anything."""
        self.pulse = Pulse(self.clock)

    def take_online(self, said: Online, *, retained: bool) -> None:
        """Hear a sign of life, a last will or a goodbye."""
        if said.state == "online":
            self._take_beat(said, retained=retained)
            return
        newest = self._kept
        if newest is not None and newest.run == said.run and newest.connection > said.connection:
            return  # the will of an older connection, said late
        self._ended = Word.OFFLINE if said.state == "offline" else Word.STOPPED
        if self._kept is None or said.time_s is not None:
            self._kept = said

    def _take_beat(self, said: Online, *, retained: bool) -> None:
        before = self._kept
        if before is not None and before.run == said.run and said.up_s <= before.up_s:
            return  # said before: a broker or a bridge repeats it
        self._kept = said
        self._ended = None
        if said.time_s is not None:
            self._hear(Said(said.run, said.up_s, said.time_s), retained)

    def _hear(self, said: Said, retained: bool) -> None:
        self.pulse.hear(said, retained=retained, limit_s=self.silent_s)

    def take_state(self, state: State, *, retained: bool) -> None:
        """Hear of the room as a whole; tanks that are no more in it are forgotten."""
        self._hear(Said(state.run, state.up_s, state.time_s), retained)
        self.state, self._state_s = state, self.clock.monotonic_s()
        self._known = frozenset(state.tanks)
        self.tanks = {tank_id: told for tank_id, told in self.tanks.items() if tank_id in self._known}
        self.permits = {tank_id: told for tank_id, told in self.permits.items() if self.knows(tank_id)}

    def knows(self, tank_id: str) -> bool:
        """Tell whether the room has this tank, as far as it has said which it has."""
        if self.state is None:
            return len(self.tanks) < TANKS_AT_MOST and len(self.permits) < TANKS_AT_MOST
        return tank_id == OF_NO_TANK or tank_id in self._known

    def take_tank(self, status: TankStatus, *, retained: bool) -> bool:
        """Hear of one tank; tell whether its alarms have changed."""
        self._hear(Said(status.run, status.up_s, status.time_s), retained)
        alarms = tuple(alarm for alarm in status.alarms if alarm.tank == status.tank.tank_id)
        status = status.model_copy(update={"alarms": alarms})
        before = self.tanks.get(status.tank.tank_id)
        self.tanks[status.tank.tank_id] = _Arrived(status, self.clock.monotonic_s())
        return standing(alarms) != standing(before.status.alarms if before is not None else ())

    def take_permits(self, place: str, permits: Permits | None) -> None:
        """Hear which alarms of a tank may be acknowledged; None: none of them any more."""
        if permits is None:
            self.permits.pop(place, None)
        else:
            self.permits[place] = permits.tokens

    @property
    def silent_s(self) -> float:
        """Seconds without a sign of life after which this room counts as silent."""
        every_s = self._kept.every_s if self._kept is not None else 0.0
        return max(self.silent_after_s, _BEATS_MISSED * every_s)

    @property
    def word(self) -> Word:
        """How its watch is heard now."""
        if self._ended is not None:
            return self._ended
        if self.pulse.since_alive_s <= self.silent_s:
            return Word.ONLINE
        return Word.WAITING if self.clock.monotonic_s() - self.since_s <= self.silent_s else Word.SILENT

    def alarms(self) -> tuple[Alarm, ...]:
        """Return every alarm that the room told of, worst first."""
        own = [alarm for alarm in self.state.alarms if alarm.tank is None] if self.state is not None else []
        own += [alarm for arrived in self.tanks.values() for alarm in arrived.status.alarms]
        return tuple(sorted(own, key=worst_first))

    def token(self, alarm: Alarm) -> str | None:
        """Return what acknowledges `alarm`, if the room has permitted it."""
        return self.permits.get(alarm.tank or OF_NO_TANK, {}).get(alarm.alarm_id)

    def older_s(self, run: str, up_s: float, time_s: float, arrived_s: float) -> float:
        """Return how long ago a document was made, s."""
        now_up_s = self.pulse.up_s
        if now_up_s is not None and run == self.pulse.run:
            return max(0.0, now_up_s - up_s)
        waited_s = self.clock.monotonic_s() - arrived_s
        return max(waited_s, self.clock.wall_s() - time_s)

    def snapshot(self) -> RoomSnapshot | None:
        """Return the picture of the room as its screen draws it; None before the room has told of itself."""
        state = self.state
        if state is None:
            return None
        older_s = self.older_s(state.run, state.up_s, state.time_s, self._state_s)
        return RoomSnapshot(
            time_s=state.time_s + older_s,
            room=state.room,
            timezone=state.timezone,
            started_s=state.started_s,
            tanks=tuple(self._tank(self.tanks[i]) for i in state.tanks if i in self.tanks),
            alarms=self.alarms(),
            sources=state.sources,
            store=state.store,
            version=state.version,
        )

    def _tank(self, arrived: "_Arrived") -> TankSnapshot:
        status = arrived.status
        older_s = self.older_s(status.run, status.up_s, status.time_s, arrived.at_s)
        full_s = (self._kept or _NOTHING).full_every_s
        forgotten = older_s > FULL_ROUNDS_MISSED * full_s
        values = {
            name: _aged(value, older_s, forgotten and name != "service")
            for name, value in status.tank.values.items()
        }
        return replace(status.tank, values=values)


@dataclass(frozen=True, slots=True)
class _Arrived:
    status: TankStatus
    at_s: float


_NOTHING = Online(run="0" * 8, state="offline", connection=0)


def standing(alarms: Iterable[Alarm]) -> list[tuple[object, ...]]:
    """Return what a keeper would see change of alarms."""
    return [(alarm.alarm_id, alarm.state, alarm.priority) for alarm in alarms]


def _aged(value: LiveValue, older_s: float, forgotten: bool) -> LiveValue:
    return replace(value, age_s=value.age_s + older_s, stale=value.stale or forgotten)
