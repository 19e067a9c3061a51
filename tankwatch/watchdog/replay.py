"""The watchdog on recorded readings: the same engine, with the data's own time.

Lines are SenML packs (RFC 8428) in order of arrival, names `TANK/CHANNEL`, absolute times. A bad line is
counted and never stops the replay.
"""

from collections.abc import Callable, Iterable, Iterator

from tankwatch.alarms.model import Transition
from tankwatch.config import Config
from tankwatch.decode.senml import Refused, resolve
from tankwatch.reading import Channel, Reading, ServiceMark
from tankwatch.watchdog.roomclock import RoomClock
from tankwatch.watchdog.watchdog import Watchdog

_CHANNELS = {channel.value: channel for channel in Channel}
_MARKS = frozenset(mark.value for mark in ServiceMark)

_LIT_LX = 10.0

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
    names: dict[str, tuple[str, Channel] | None] = {}
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            records = resolve(line)
        except Refused as error:
            refuse(number, error.reason)
            continue
        for record in records:
            place = names.get(record.name, _UNSEEN)
            if place is _UNSEEN:
                place = names[record.name] = _place(record.name)
            value = record.value
            if record.unit == "lx" and not isinstance(value, str):
                value = value > _LIT_LX  # a light sensor: a room's own dim light is not the lamp
            reading = None if not isinstance(place, tuple) else _reading(place, record.time_s, value)
            if reading is None:
                refuse(number, _reason(record.name, record.time_s, place))
                continue
            dog.advance(clock.see(reading.tank, reading.time_s))
            dog.feed(reading)
        if dog.book.has_steps:
            yield from dog.take_steps()


_UNSEEN = object()


def _place(name: str) -> tuple[str, Channel] | None:
    tank, _, channel = name.rpartition("/")
    return (tank, _CHANNELS[channel]) if tank and channel in _CHANNELS else None


def _reading(
    place: tuple[str, Channel], time_s: float | None, value: float | bool | str | None
) -> Reading | None:
    if time_s is None or value is None:
        return None
    tank, channel = place
    if channel is Channel.SERVICE:
        return Reading(tank, channel, time_s, 0.0, str(value)) if value in _MARKS else None
    return None if isinstance(value, str) else Reading(tank, channel, time_s, float(value))


def _reason(name: str, time_s: float | None, place: object) -> str:
    if place is None:
        return f"name {name[:60]!r} is not TANK/CHANNEL"
    return "no absolute time" if time_s is None else f"{name[:60]!r} carries no value that fits its channel"
