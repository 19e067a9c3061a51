"""How each tank stands: from a picture of the watch to what a keeper must know, worst first."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Literal

from tankwatch.alarms.model import Alarm, AlarmState, Condition, Priority
from tankwatch.config import Config
from tankwatch.reading import Channel
from tankwatch.screen import words
from tankwatch.snapshot import LiveValue, RoomSnapshot, TankSnapshot

Order = Literal["worst", "name", "place"]
ORDERS: tuple[Order, ...] = ("worst", "name", "place")


class Level(IntEnum):
    """How much a tank or the room wants of its keeper, rising."""

    QUIET = 0
    SERVICE = 1
    RETURNED = 2
    STALE = 3
    LOW = 4
    MEDIUM = 5
    HIGH = 6
    CRITICAL = 7


ROLE = {
    Level.QUIET: "text",
    Level.SERVICE: "service",
    Level.RETURNED: "text",
    Level.STALE: "stale",
    Level.LOW: "low",
    Level.MEDIUM: "medium",
    Level.HIGH: "high",
    Level.CRITICAL: "critical",
}
SHAPE = {
    Level.QUIET: " ",
    Level.SERVICE: "≈",
    Level.RETURNED: "↺",
    Level.STALE: "?",
    Level.LOW: "▪",
    Level.MEDIUM: "●",
    Level.HIGH: "▲",
    Level.CRITICAL: "◆",
}
HOLLOW = {"▪": "▫", "●": "○", "▲": "△", "◆": "◇"}
"""Shape of an alarm that someone has acknowledged."""

_LEVEL_OF = {
    Priority.LOW: Level.LOW,
    Priority.MEDIUM: Level.MEDIUM,
    Priority.HIGH: Level.HIGH,
    Priority.CRITICAL: Level.CRITICAL,
}
_ACTIVE = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.LATCHED})
_HIDDEN = frozenset({AlarmState.NORMAL, AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE})


@dataclass(frozen=True, slots=True)
class Standing:
    """One tank, or with `tank` None the room or a source, as the keeper must see it."""

    key: str
    """Tank id, or `room:<alarm id>` for an alarm that belongs to no tank."""
    name: str
    level: Level
    word: str
    """The state in one word."""
    acknowledged: bool = False
    message: str = ""
    minutes_left: float | None = None
    limit: str = ""
    """`low` or `high`: the limit that `minutes_left` runs to."""
    since_s: float = 0.0
    tank: TankSnapshot | None = None
    alarms: tuple[Alarm, ...] = ()
    place: int = 0
    live: bool = True
    """False in an old picture: nothing here is known to be true now."""

    @property
    def doubtful(self) -> bool:
        """Nobody knows the water's temperature now."""
        value = self.temperature
        return not self.live or value is None or value.stale or value.retained

    @property
    def quiet(self) -> bool:
        """Nothing is asked of the keeper."""
        return self.level is Level.QUIET

    @property
    def shape(self) -> str:
        """One character that tells the state without colour."""
        shape = SHAPE[self.level]
        return HOLLOW.get(shape, shape) if self.acknowledged else shape

    @property
    def role(self) -> str:
        """Role of the palette for this state."""
        return ROLE[self.level]

    @property
    def temperature(self) -> LiveValue | None:
        """The newest water temperature, or None if there never was one."""
        return self.tank.values.get(Channel.TEMPERATURE) if self.tank is not None else None


@dataclass(frozen=True, slots=True)
class RoomView:
    """The room as the screen shows it."""

    room: str
    time_s: float
    standings: tuple[Standing, ...] = ()
    """Alarms of the room and its sources first, then every tank, in the order of the configuration."""
    live: bool = True
    """False when the picture is old or there is no watch: nothing in it may be believed."""
    snapshot: RoomSnapshot | None = None
    counts: dict[Level, int] = field(default_factory=dict)

    @property
    def tanks(self) -> tuple[Standing, ...]:
        """Only the tanks."""
        return tuple(s for s in self.standings if s.tank is not None)

    def find(self, key: str) -> Standing | None:
        """Return the standing with this key, if it is here."""
        return next((s for s in self.standings if s.key == key), None)


def level_of(alarm: Alarm) -> Level:
    """Return how loudly an alarm speaks."""
    if alarm.state is AlarmState.RETURNED:
        return Level.RETURNED
    if alarm.state in _HIDDEN:
        return Level.QUIET
    return _LEVEL_OF[alarm.priority]


def view_of(snapshot: RoomSnapshot, *, live: bool = True) -> RoomView:
    """Judge a picture of the watch."""
    by_tank: dict[str | None, list[Alarm]] = {}
    for alarm in snapshot.alarms:
        by_tank.setdefault(alarm.tank, []).append(alarm)
    room = [_room_standing(a, live) for a in by_tank.get(None, []) if a.state not in _HIDDEN]
    tanks = [
        _tank_standing(tank, tuple(by_tank.get(tank.tank_id, ())), place, live)
        for place, tank in enumerate(snapshot.tanks)
    ]
    return _view(snapshot.room, snapshot.time_s, [*room, *tanks], live, snapshot)


def view_of_history(
    config: Config, last: Mapping[tuple[str, Channel], tuple[float, float]], now_s: float
) -> RoomView:
    """Make a view from the store alone, when no watch runs: every value is stale."""
    values: dict[str, dict[str, LiveValue]] = {}
    for (tank_id, channel), (time_s, value) in last.items():
        values.setdefault(tank_id, {})[channel.value] = LiveValue(
            value, time_s, max(0.0, now_s - time_s), stale=True
        )
    tanks = [
        _tank_standing(
            TankSnapshot(
                tank.id,
                tank.label,
                tank.setpoint_c,
                tank.band_low_c,
                tank.band_high_c,
                values.get(tank.id, {}),
                light_hours_max=tank.light_hours_max,
            ),
            (),
            place,
            live=False,
        )
        for place, tank in enumerate(config.tank)
    ]
    return _view(config.room.name, now_s, tanks, False, None)


def ordered(view: RoomView, order: Order = "worst", wanted: str = "") -> list[Standing]:
    """Return the standings in order, those of the room in front; `wanted` filters by name, id or state."""
    found = [s for s in view.standings if matches(s, wanted)]
    if order == "name":
        return sorted(found, key=lambda s: (s.tank is not None, s.name.casefold(), s.place))
    if order == "place":
        return sorted(found, key=lambda s: (s.tank is not None, s.place))
    return sorted(found, key=_urgency)


def matches(standing: Standing, wanted: str) -> bool:
    """Say whether every word of `wanted` occurs in the name, id, state or conditions of `standing`."""
    if not wanted.strip():
        return True
    text = " ".join(
        [standing.name, standing.key, standing.word, *(_words(a.condition) for a in standing.alarms)]
    )
    return all(word in text.casefold() for word in wanted.casefold().split())


def _words(condition: Condition) -> str:
    return condition.value.replace("-", " ")


def _urgency(s: Standing) -> tuple[int, bool, float, int, float, int]:
    left = float("inf") if s.minutes_left is None or s.quiet else s.minutes_left
    rank = max((a.priority.rank for a in s.alarms), default=0)
    return (-s.level, s.acknowledged, left, -rank, s.since_s, s.place)


def _view(
    room: str, time_s: float, standings: Sequence[Standing], live: bool, snapshot: RoomSnapshot | None
) -> RoomView:
    counts: dict[Level, int] = {}
    for standing in standings:
        if standing.tank is not None:
            counts[standing.level] = counts.get(standing.level, 0) + 1
    return RoomView(room, time_s, tuple(standings), live, snapshot, counts)


def _room_standing(alarm: Alarm, live: bool) -> Standing:
    level = level_of(alarm)
    return Standing(
        key=f"room:{alarm.alarm_id}",
        name=words.of_what(alarm.subject),
        level=level,
        word=_word(level, alarm),
        acknowledged=alarm.state is AlarmState.ACKNOWLEDGED,
        message=alarm.message,
        minutes_left=alarm.margin_min,
        since_s=alarm.since_s,
        alarms=(alarm,),
        place=-1,
        live=live,
    )


def _tank_standing(tank: TankSnapshot, alarms: tuple[Alarm, ...], place: int, live: bool) -> Standing:
    worst = max(alarms, key=lambda a: (level_of(a), a.priority.rank, -a.since_s), default=None)
    level = level_of(worst) if worst is not None else Level.QUIET
    temperature = tank.values.get(Channel.TEMPERATURE)
    doubtful = not live or temperature is None or temperature.stale or temperature.retained
    message = worst.message if worst is not None and level else ""
    if level is Level.RETURNED:
        message = f"It has ended, but nobody has acknowledged it. It was: {message}"
    acknowledged = worst is not None and worst.state is AlarmState.ACKNOWLEDGED
    word = _word(level, worst)
    if level < Level.STALE and doubtful:
        level, word, acknowledged = Level.STALE, "stale", False
        if temperature is None:
            word, message = "no value", "never heard of"
    if level < Level.RETURNED and tank.service:
        level, word = Level.SERVICE, "service"
        message = "Alarms that the work explains are held back."
    minutes, limit = _time_left(tank, worst)
    return Standing(
        key=tank.tank_id,
        name=tank.name or tank.tank_id,
        level=level,
        word=word,
        acknowledged=acknowledged,
        message=message,
        minutes_left=minutes,
        limit=limit,
        since_s=worst.since_s if worst is not None else 0.0,
        tank=tank,
        alarms=alarms,
        place=place,
        live=live,
    )


def _word(level: Level, alarm: Alarm | None) -> str:
    if level is Level.QUIET or alarm is None:
        return "quiet"
    return "returned" if level is Level.RETURNED else alarm.priority.value


def _time_left(tank: TankSnapshot, worst: Alarm | None) -> tuple[float | None, str]:
    """Return the minutes to a limit that the worst alarm leaves, or that a failing heater would leave."""
    warm = {Condition.TOO_WARM, Condition.WARMING_FAST, Condition.HEATER_STUCK_ON}
    if worst is not None and worst.state in _ACTIVE:
        return worst.margin_min, "high" if worst.condition in warm else "low"
    low, high = tank.model.minutes_to_low, tank.model.minutes_to_high
    choices = [(e.value, side) for e, side in ((low, "low"), (high, "high")) if e is not None]
    return min(choices, default=(None, ""))
