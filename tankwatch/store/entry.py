"""What is kept beside readings and alarms: service marks, the care log, messages for people."""

from dataclasses import dataclass, field
from typing import Any

from tankwatch.reading import ServiceMark


@dataclass(frozen=True, slots=True)
class StoredMark:
    """One service mark."""

    tank: str
    mark: ServiceMark
    time_s: float
    """Seconds since 1970 UTC."""
    who: str
    """A person, or the source whose probe or button sent it."""


@dataclass(frozen=True, slots=True)
class LogEntry:
    """What someone did or saw at a tank."""

    time_s: float
    """When it was done or seen, seconds since 1970 UTC."""
    tank: str | None
    """Identifier of the tank; None for the whole room."""
    kind: str
    """What sort of work or observation, in one word."""
    who: str
    text: str = ""
    data: dict[str, Any] = field(default_factory=dict)
    """Figures that belong to the entry, fit for JSON, with the unit in each name."""
    photos: tuple[str, ...] = ()
    """Paths of pictures, as given."""


@dataclass(frozen=True, slots=True)
class OutboxEntry:
    """One message for one person by one way."""

    message_id: str
    """Stable: the same message has it again after a restart."""
    way: str
    """Id of the way that carries it."""
    person: str
    made_s: float
    """Seconds since 1970 UTC."""
    kind: str
    priority: str
    content: dict[str, Any]
    """The whole message, fit for JSON."""


@dataclass(frozen=True, slots=True)
class StoredMessage:
    """What the outbox knows of a message."""

    content: dict[str, Any]
    way: str
    state: str
    """`waiting`, `sent` or `given up`."""
    attempts: int
    settled_s: float | None
    detail: str
    """Why the last attempt failed, without secrets."""


@dataclass(frozen=True, slots=True)
class Dropped:
    """What was given up on one day: readings, or figures of hours."""

    what: str
    """`readings` or `hours`."""
    why: str
    """Which limit asked for it, in words."""
    count: int
    from_s: float
    """Start of the stretch that the readings or hours lay in, seconds since 1970 UTC."""
    to_s: float
    time_s: float
    """When it was done last."""
