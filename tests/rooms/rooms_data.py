"""Rooms of our own invention, and documents of them, for the tests."""

import json
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from tankwatch.alarms.model import Alarm, AlarmState, Condition, Priority
from tankwatch.clock import ManualClock
from tankwatch.config_rooms import PublishConfig
from tankwatch.rooms.changes import Changes, Message
from tankwatch.rooms.hub import Hub
from tankwatch.rooms.topics import Topics
from tankwatch.snapshot import LiveValue, RoomSnapshot, SourceSnapshot, StoreSnapshot, TankSnapshot

NOW_S = 1_795_572_000.0
RUN = "0a1b2c3d"


def make_tank(number: int = 1, water_c: float = 25.0, age_s: float = 3.0, **changes: Any) -> TankSnapshot:
    tank = TankSnapshot(
        f"t{number:02}",
        f"Shelf {number}",
        25.0,
        23.0,
        27.0,
        {
            "temperature": LiveValue(water_c, NOW_S - age_s, age_s),
            "heater": LiveValue(0.0, NOW_S - age_s, age_s),
        },
        rate_c_per_h=0.1,
        light_hours_max=10.0,
    )
    return replace(tank, **changes)


def make_alarm(number: int = 1, tank: str | None = "t01", **changes: Any) -> Alarm:
    alarm = Alarm(
        number,
        tank,
        Condition.HEATER_NO_HEAT,
        AlarmState.UNACKNOWLEDGED,
        Priority.CRITICAL,
        NOW_S - 600,
        NOW_S - 600,
        "The heater draws power but the water falls.",
        margin_min=38.0,
        evidence={"heater_on_min": 180.0},
    )
    return replace(alarm, **changes)


def make_room(
    tanks: Sequence[TankSnapshot] = (), alarms: Sequence[Alarm] = (), **changes: Any
) -> RoomSnapshot:
    room = RoomSnapshot(
        time_s=NOW_S,
        room="Back room",
        timezone="Europe/Lisbon",
        started_s=NOW_S - 7200,
        tanks=tuple(tanks) or (make_tank(1), make_tank(2)),
        alarms=tuple(alarms),
        sources=(SourceSnapshot("broker", "mqtt", "connected", "127.0.0.1:1883", 1.0, 10, 20),),
        store=StoreSnapshot("room.db"),
        version="0.1.0",
    )
    return replace(room, **changes)


def make_changes(**keys: Any) -> Changes:
    return Changes(PublishConfig(**keys), RUN, 0.0)


def names(messages: Sequence[Message]) -> list[str]:
    return [message.name for message in messages]


def beat(up_s: float, *, time_s: float | None = None, **changes: Any) -> bytes:
    """Return a sign of life of a run that began at `NOW_S`."""
    document = {"v": 1, "run": RUN, "state": "online", "connection": 1, "up_s": up_s, "every_s": 20}
    return json.dumps(document | {"time_s": NOW_S + up_s if time_s is None else time_s} | changes).encode()


def will(connection: int = 1) -> bytes:
    """Return what the broker says when the connection of the run breaks."""
    return json.dumps({"v": 1, "run": RUN, "state": "offline", "connection": connection}).encode()


class Ear:
    """A hub on a clock moved by hand, and a room that speaks to it."""

    def __init__(self, room: str = "back-room", **options: Any) -> None:
        self.clock = ManualClock(wall=NOW_S)
        self.topics = Topics("tankwatch")
        self.hub = Hub(self.topics, self.clock, silent_after_s=70.0, **options)
        self.room = room

    def hear(self, name: str, payload: bytes, *, retained: bool = False) -> None:
        self.hub.take(self.topics.of(self.room, name), payload, retained)

    def hear_all(self, messages: Sequence[Message], *, retained: bool = False) -> None:
        for name, payload, _ in messages:
            self.hear(name, payload, retained=retained)

    @property
    def word(self) -> str:
        status = self.hub.status(self.room)
        assert status is not None
        return status.word.value
