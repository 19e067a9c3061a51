"""How each room stands: its watch as it is heard, and the worst of its tanks; worst room first."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tankwatch.alarms.model import AlarmState
from tankwatch.rooms.heard import Word
from tankwatch.rooms.hub import RoomStatus
from tankwatch.screen import words
from tankwatch.screen.ink import clean
from tankwatch.screen.standing import HOLLOW, ROLE, SHAPE, Level, RoomView, Standing, ordered
from tankwatch.screen.summary import time_left, what

NOT_HEARD = frozenset({Word.SILENT, Word.OFFLINE, Word.STOPPED})
WORDS = {
    Word.ONLINE: "online",
    Word.WAITING: "waiting",
    Word.SILENT: "silent",
    Word.OFFLINE: "signed off",
    Word.STOPPED: "stopped",
}
UNHEARD = {
    Word.ONLINE: "",
    Word.WAITING: "not heard yet",
    Word.SILENT: "no sign of life",
    Word.OFFLINE: "its watch lost the broker",
    Word.STOPPED: "its watch was stopped",
}
"""Why what stands there is not known to be true now."""


@dataclass(frozen=True, slots=True)
class RoomStanding:
    """One room as the keeper of all rooms must see it."""

    status: RoomStatus
    view: RoomView | None
    """None before the room has told of its tanks."""
    worst: Standing | None
    level: Level
    new: int
    """Alarms that nobody has acknowledged."""
    quiet: int
    """Tanks of which nothing is asked."""
    oldest_s: float | None
    """Age of the oldest newest reading of any tank, s."""

    @property
    def room_id(self) -> str:
        """Its id."""
        return self.status.room_id

    @property
    def name(self) -> str:
        """Its name, fit to show."""
        return clean(self.status.name)

    @property
    def heard(self) -> bool:
        """Whether what it says of its tanks is known to be true now."""
        return self.status.word is Word.ONLINE

    @property
    def acknowledged(self) -> bool:
        """Whether someone has seen the worst of it; nobody can have seen here that a room fell silent."""
        return self.heard and self.worst is not None and self.worst.acknowledged

    @property
    def shape(self) -> str:
        """One character that tells the state without colour."""
        shape = SHAPE[self.level]
        return HOLLOW.get(shape, shape) if self.acknowledged else shape

    @property
    def role(self) -> str:
        """Role of the palette for this state."""
        return ROLE[self.level]


def standing_of(status: RoomStatus, view: RoomView | None) -> RoomStanding:
    """Judge one room."""
    worst = ordered(view)[0] if view is not None and view.standings else None
    level = worst.level if worst is not None else Level.QUIET
    if status.word in NOT_HEARD:
        level = max(level, Level.HIGH)
    elif status.word is Word.WAITING or view is None:
        level = max(level, Level.STALE)
    alarms = view.snapshot.alarms if view is not None and view.snapshot is not None else ()
    ages = [value.age_s for s in view.tanks if (value := s.temperature)] if view is not None else []
    return RoomStanding(
        status,
        view,
        worst,
        level,
        new=sum(alarm.state is AlarmState.UNACKNOWLEDGED for alarm in alarms),
        quiet=0 if view is None else view.counts.get(Level.QUIET, 0),
        oldest_s=max(ages, default=None),
    )


def worst_first(rooms: Iterable[RoomStanding]) -> list[RoomStanding]:
    """Return the rooms in the order in which they want someone."""
    return sorted(rooms, key=_urgency)


def _urgency(room: RoomStanding) -> tuple[int, bool, float, str, str]:
    worst = room.worst
    left = worst.minutes_left if worst is not None and not worst.quiet else None
    return (
        -room.level,
        room.acknowledged,
        float("inf") if left is None else left,
        room.name.casefold(),
        room.room_id,
    )


def trouble_of(room: RoomStanding) -> str:
    """Return what is wrong in a room in one line, or nothing."""
    told = ""
    if room.worst is not None and not room.worst.quiet:
        left = time_left(room.worst)
        told = f"{clean(room.worst.name)}: {what(room.worst)}" + (f", {left}" if left else "")
    if room.heard:
        return told
    heard = words.age(room.status.age_s)
    said = f"{UNHEARD[room.status.word]}, last heard {heard}"
    known = room.worst is not None and room.worst.level >= Level.LOW
    return f"{said}; before that: {told}" if known else said


def sentence_of_rooms(rooms: Sequence[RoomStanding]) -> tuple[str, str]:
    """Return the summary of all rooms and the role to show it in."""
    if not rooms:
        return "No room has been heard yet. A room is heard once its watch has a [publish] table.", "text"
    worst = worst_first(rooms)[0]
    tanks = words.how_many(sum(room.status.tanks for room in rooms), "tank")
    if worst.level is Level.QUIET:
        start = "The room is" if len(rooms) == 1 else f"All {len(rooms)} rooms are"
        return f"{start} quiet: {tanks}.", "text"
    waiting = sum(1 for room in rooms if room.status.word is Word.WAITING)
    if waiting and worst.level is Level.STALE:
        return f"Listening: {waiting} of {words.how_many(len(rooms), 'room')} not heard yet.", "stale"
    parts = [f"{worst.name}: {trouble_of(worst)}"]
    if worst.status.word in NOT_HEARD:
        parts.append("Nobody here knows whether its tanks are watched")
    others = sum(1 for room in rooms if room.level is not Level.QUIET) - 1
    if others:
        parts.append(f"{words.how_many(others, 'more room')} {'needs' if others == 1 else 'need'} a look")
    quiet = sum(1 for room in rooms if room.level is Level.QUIET)
    if quiet and len(rooms) > 1:
        parts.append(f"{quiet} of {len(rooms)} rooms quiet")
    return ". ".join(parts) + ".", worst.role
