"""The topics of a room. Below the configured first levels and the version of the scheme:

    ROOM/online        retained; sign of life, or the last will: signed off
    ROOM/state         retained; the room: its tanks, its own alarms, its sources and its store
    ROOM/tank/TANK     retained; one tank with its alarms
    ROOM/permit/TANK   retained; tokens that acknowledge the alarms of a tank; `-` for those of no tank
    ROOM/acknowledge   read by the room: tokens given back

They lie side by side so that an access list can tell reading from acknowledging.
"""

import re
from typing import NamedTuple

VERSION = 1
OF_NO_TANK = "-"
_ROOM = re.compile(r"[a-z0-9-]{1,32}")
_TANK = re.compile(r"[A-Za-z0-9_.-]{1,64}")


class Place(NamedTuple):
    """What a topic is about."""

    room: str
    kind: str
    """`online`, `state`, `tank` or `permit`."""
    tank: str = ""


class Topics:
    """Makes and reads the topics below the first levels `first`."""

    def __init__(self, first: str) -> None:
        """Begin every topic with `first`."""
        self._base = f"{first}/{VERSION}/"

    def of(self, room: str, name: str) -> str:
        """Return the topic of `name`, such as `tank/t01`, in a room."""
        return f"{self._base}{room}/{name}"

    def of_all_rooms(self) -> list[str]:
        """Return the filters of everything that a screen reads."""
        return [self.of("+", name) for name in ("online", "state", "tank/+", "permit/+")]

    def read(self, topic: str) -> Place | None:
        """Return what `topic` is about, or None for one that is not of this scheme."""
        if not topic.startswith(self._base):
            return None
        room, *rest = topic.removeprefix(self._base).split("/")
        if not _ROOM.fullmatch(room):
            return None
        match rest:
            case ["online" | "state" as kind]:
                return Place(room, kind)
            case ["tank" | "permit" as kind, tank] if _TANK.fullmatch(tank):
                return Place(room, kind, tank)
        return None
