"""What flows through everything: one reading of one channel of one tank."""

from enum import StrEnum
from typing import NamedTuple


class Channel(StrEnum):
    """What a reading is about; the names are those of the configuration file."""

    __hash__ = str.__hash__  # an enum's own is written in Python, and every reading is looked up by channel

    TEMPERATURE = "temperature"
    """Water temperature, °C."""
    HEATER = "heater"
    """Heater draws power: 1.0, or not: 0.0."""
    LIGHT = "light"
    """Light is on: 1.0, or off: 0.0."""
    AIR = "air"
    """Temperature of the room's air beside the tank, °C."""
    POWER = "power"
    """Electrical power drawn by the heater, W."""
    SERVICE = "service"
    """Hands in the tank: the word is in `Reading.text`."""
    HUMIDITY = "humidity"
    """Relative humidity of the room's air, %."""
    LEVEL = "level"
    """Water level above its lowest mark, cm."""
    FLOW = "flow"
    """Filter flow, L/h."""
    PH = "ph"
    """pH of the water."""
    MAINS = "mains"
    """The mains are there: 1.0, or not: 0.0. No kind of its own: it is what a truth value on a power channel
    tells, and kept apart from watts."""


KINDS: tuple[Channel, ...] = tuple(channel for channel in Channel if channel is not Channel.MAINS)
"""What the configuration may ask for."""

ON_OFF_CHANNELS = frozenset({Channel.HEATER, Channel.LIGHT, Channel.MAINS})
"""Channels whose value is 1.0 or 0.0."""


class ServiceMark(StrEnum):
    """The words of a service channel."""

    WATER_OUT = "water-out"
    """The level is lowered: the heater may be exposed."""
    WORK = "work"
    """Hands are in the tank; the level is as usual."""
    END = "end"
    """The work is over."""


class Reading(NamedTuple):
    """One value of one channel of one tank. A named tuple: millions are made a day.

    `time_s` is in seconds since 1970 UTC; `value` is in the unit of its channel. A service reading
    carries its word in `text` and 0.0 as value. `retained` marks a value that a broker had kept: it is
    old by an unknown time, may be shown, and never counts as fresh.
    """

    tank: str
    channel: Channel
    time_s: float
    value: float
    text: str | None = None
    retained: bool = False
    source: str = ""
