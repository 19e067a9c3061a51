"""The watchdog on recorded readings: the same engine, with the data's own time.

Lines are SenML packs (RFC 8428) in order of arrival, names `TANK/CHANNEL`, absolute times. A bad line is
counted and never stops the replay.
"""

import math
from collections.abc import Callable, Iterable, Iterator
from enum import IntEnum
from typing import NamedTuple

from tankwatch.alarms.model import Transition
from tankwatch.config import Config
from tankwatch.decode.senml import ABSOLUTE_FROM_S, Refused, Value, resolve
from tankwatch.decode.shape import Shape, Shapes
from tankwatch.reading import KINDS, Channel, ServiceMark
from tankwatch.watchdog.roomclock import RoomClock
from tankwatch.watchdog.watchdog import Watchdog

_CHANNELS = {channel.value: channel for channel in KINDS}
_MARKS = frozenset(mark.value for mark in ServiceMark)

_LIT_LX = 10.0
_ICE_POINT_K = 273.15
_YEAR_9999_S = 253_370_764_800.0
"""Later stamps have no date that can be printed."""

_MOST_SHAPES = 5000
"""Each tank has its own names, so each has shapes of its own."""


class _Change(IntEnum):
    """What is done to a value before it is judged."""

    NONE = 0
    MARK = 1
    """It is the word of a service mark."""
    LIGHT = 2
    """A light sensor's, lx: a room's own dim light is not the lamp."""
    KELVIN = 3


class _Part(NamedTuple):
    """Where one record of a pack goes; worked out once for all packs of a shape."""

    tank: str
    channel: Channel | None
    """None: nobody takes it."""
    time: int
    """Index of its time."""
    change: _Change
    name: str


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
    find = Shapes(_MOST_SHAPES, _parts_of_shape).find
    see, advance, take, book = clock.see, dog.advance, dog.take, dog.book
    for number, line in enumerate(lines, 1):
        found = find(line)
        if found is not None:
            parts, values, times_s = found
        elif not line.strip():
            continue
        else:
            try:
                parts, values, times_s = _with_care(line)
            except Refused as error:
                refuse(number, error.reason)
                continue
        for (tank, channel, time, change, name), value in zip(parts, values, strict=True):
            time_s = times_s[time]
            if channel is None or not ABSOLUTE_FROM_S <= time_s < _YEAR_9999_S:
                refuse(number, _reason(name, time_s))
                continue
            text = None
            if change:  # seldom
                if change == _Change.MARK and value not in _MARKS:
                    refuse(number, _reason(name, time_s))
                    continue
                value, text = _changed(change, value)
            advance(see(tank, time_s))
            if clock.leapt:
                for leapt in clock.leapt:
                    dog.heard(leapt)
                clock.leapt = ()
            take(tank, channel, time_s, float(value), text)
        if book.has_steps:
            yield from dog.take_steps()


def _parts_of_shape(shape: Shape) -> list[_Part]:
    records = zip(shape.names, shape.units, shape.slots, shape.time_of, strict=True)
    return [_part(name, unit, is_truth, time) for name, unit, (_, is_truth), time in records]


def _with_care(line: bytes) -> tuple[list[_Part], list[Value], list[float]]:
    """Return the same of a pack that is out of the ordinary.

    Raises:
        Refused: it is no SenML pack.
    """
    parts: list[_Part] = []
    records = resolve(line)
    for name, unit, _, value in records:
        part = _part(name, unit, isinstance(value, bool), len(parts))
        if isinstance(value, str) and part.change is not _Change.MARK:
            part = part._replace(channel=None)
        parts.append(part)
    times_s = [-math.inf if time_s is None else time_s for _, _, time_s, _ in records]
    return parts, [record.value for record in records], times_s


def _part(name: str, unit: str | None, is_truth: bool, time: int) -> _Part:
    tank, _, word = name.rpartition("/")
    channel = _CHANNELS.get(word) if tank else None
    change = _Change.NONE
    if channel is Channel.SERVICE:
        change = _Change.MARK
    elif channel is Channel.POWER and is_truth:
        channel = Channel.MAINS
    elif unit == "lx":
        change = _Change.LIGHT
    elif unit == "K":
        change = _Change.KELVIN
    return _Part(tank, channel, time, change, name)


def _changed(change: _Change, value: Value) -> tuple[float, str | None]:
    """Return the value as its channel has it, and the text that goes with it."""
    if change == _Change.MARK:
        return 0.0, str(value)
    number = float(value)
    return (float(number > _LIT_LX), None) if change == _Change.LIGHT else (number - _ICE_POINT_K, None)


def _reason(name: str, time_s: float) -> str:
    tank, _, word = name.rpartition("/")
    if not tank or word not in _CHANNELS:
        return f"name {name[:60]!r} is not TANK/CHANNEL"
    if not ABSOLUTE_FROM_S <= time_s < _YEAR_9999_S:
        return "no absolute time"
    return f"{name[:60]!r} carries no value that fits its channel"
