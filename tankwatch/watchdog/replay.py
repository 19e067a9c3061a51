"""The watchdog on recorded readings: the same engine, with the data's own time.

Lines are SenML packs (RFC 8428) in order of arrival, names `TANK/CHANNEL`, absolute times. A bad line is
counted and never stops the replay.
"""

from collections.abc import Callable, Iterable, Iterator

from tankwatch.alarms.model import Transition
from tankwatch.config import Config
from tankwatch.decode.senml import ABSOLUTE_FROM_S, Refused, Value, resolve
from tankwatch.decode.shape import Shapes
from tankwatch.reading import MAINS, Channel, ServiceMark
from tankwatch.watchdog.roomclock import RoomClock
from tankwatch.watchdog.watchdog import Watchdog

_CHANNELS = {channel.value: channel for channel in Channel}
_MARKS = frozenset(mark.value for mark in ServiceMark)

_LIT_LX = 10.0
_ICE_POINT_K = 273.15

_MOST_SHAPES = 5000

_Record = tuple[str, str | None, float | None, Value]

OnRefused = Callable[[int, str], None]
"""Called with the number of a line and the reason why it, or a record in it, was left out."""


def replay(
    config: Config,
    lines: Iterable[bytes],
    on_refused: OnRefused | None = None,
    watchdog: Watchdog | None = None,
) -> Iterator[Transition]:
    """Run the watchdog over `lines` and yield every step of an alarm, in time order."""
    dog = watchdog or Watchdog(config, expects_all=False)
    clock = RoomClock()
    refuse = on_refused or (lambda number, reason: None)
    places: dict[str, tuple[str, Channel] | None] = {}
    find = Shapes(_MOST_SHAPES).find
    see, advance, take, book = clock.see, dog.advance, dog.take, dog.book
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        found = find(line)
        if found is not None:
            shape, values, times_s = found
            stamps_s = [None if time_s < ABSOLUTE_FROM_S else time_s for time_s in times_s]
            of_record = [stamps_s[i] for i in shape.time_of]
            records: Iterable[_Record] = zip(shape.names, shape.units, of_record, values, strict=True)
        else:
            try:
                records = resolve(line)
            except Refused as error:
                refuse(number, error.reason)
                continue
        for name, unit, time_s, value in records:
            if name not in places:
                places[name] = _place(name)
            place = places[name]
            text = None
            if place is None or time_s is None:
                refuse(number, _reason(name, time_s, place))
                continue
            tank, channel = place
            if channel is Channel.SERVICE:
                if value not in _MARKS:
                    refuse(number, _reason(name, time_s, place))
                    continue
                text, value = str(value), 0.0
            elif isinstance(value, str):
                refuse(number, _reason(name, time_s, place))
                continue
            elif channel is Channel.POWER and isinstance(value, bool):
                text = MAINS
            elif unit == "lx":
                value = value > _LIT_LX  # a light sensor: a room's own dim light is not the lamp
            elif unit == "K":
                value -= _ICE_POINT_K
            advance(see(tank, time_s))
            if clock.leapt:
                for leapt in clock.leapt:
                    dog.heard(leapt)
                clock.leapt = ()
            take(tank, channel, time_s, float(value), text)
        if book.has_steps:
            yield from dog.take_steps()


def _place(name: str) -> tuple[str, Channel] | None:
    tank, _, channel = name.rpartition("/")
    return (tank, _CHANNELS[channel]) if tank and channel in _CHANNELS else None


def _reason(name: str, time_s: float | None, place: tuple[str, Channel] | None) -> str:
    if place is None:
        return f"name {name[:60]!r} is not TANK/CHANNEL"
    return "no absolute time" if time_s is None else f"{name[:60]!r} carries no value that fits its channel"
