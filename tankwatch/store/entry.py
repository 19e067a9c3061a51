"""One entry of the care log."""

from dataclasses import dataclass, field
from typing import Any


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
