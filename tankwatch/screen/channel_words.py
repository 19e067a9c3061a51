"""What a channel gave, in words: a state such as `on`, or a number with its unit."""

from tankwatch.reading import Channel

_UNITS: dict[str, str] = {
    Channel.TEMPERATURE: "°C",
    Channel.AIR: "°C",
    Channel.POWER: "W",
    Channel.HUMIDITY: "%",
    Channel.LEVEL: "cm",
    Channel.FLOW: "L/h",
    Channel.PH: "",
}
_STATES: dict[str, tuple[str, str]] = {
    Channel.HEATER: ("off", "on"),
    Channel.LIGHT: ("off", "on"),
    Channel.MAINS: ("gone", "there"),
}


def value_words(channel: str, value: float, form: str = ".2f") -> str:
    """Return `value` of `channel` in words; a number is written by the format `form`."""
    if channel in _STATES:
        return _STATES[channel][value >= 0.5]
    return f"{value:{form}} {_UNITS.get(channel, '')}".rstrip()
