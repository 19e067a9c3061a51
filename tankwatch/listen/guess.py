"""What a stream seems to be: by its unit, then the words of its name, then its range and behaviour.

Only water temperature, air, heater and light get a channel proposed; the rest is named for the reader. The
ranges are those of rooms and of fish tanks; common practice, no published source.
"""

import re
from dataclasses import dataclass

from tankwatch.listen.stream import Stream
from tankwatch.reading import Channel

_WATER_RANGE_C = (10.0, 36.0)
_HEAT_WORDS = {"heater", "heat", "heating", "thermostat"}
_LIGHT_WORDS = {"light", "lights", "lamp", "led", "lighting"}
_TEMPERATURE_WORDS = {
    "temp",
    "temperature",
    "celsius",
    "degc",
    "tempc",
    "fahrenheit",
    "tempf",
    "degf",
    "thermometer",
}
_WATER_WORDS = {"water", "tank", "fish", "aquarium", "probe"}
_AIR_WORDS = {"air", "room", "ambient", "indoor"}
_ELSEWHERE_WORDS = {
    "outdoor", "outside", "weather", "cpu", "gpu", "chip", "core", "board", "soc", "disk", "freezer",
    "fridge", "oven", "boiler", "radiator", "engine", "pool", "battery", "dew", "dewpoint", "feels",
}  # fmt: skip
_WISH_WORDS = {
    "set",
    "setpoint",
    "target",
    "limit",
    "min",
    "max",
    "low",
    "high",
    "threshold",
    "alarm",
    "offset",
}
_FAHRENHEIT_WORDS = {"fahrenheit", "tempf", "degf", "f"}
_OTHER: tuple[tuple[set[str], str | None, str], ...] = (
    ({"humidity", "rh", "humid"}, "%RH", "relative humidity"),
    ({"power", "watt", "watts", "w"}, "W", "electrical power"),
    ({"lux", "illuminance", "brightness"}, "lx", "illuminance"),
    ({"ph"}, "pH", "pH"),
    ({"voltage", "volt", "volts", "vcc", "battery"}, "V", "a voltage"),
    ({"current", "ampere", "amps"}, "A", "an electrical current"),
    ({"rssi", "signal", "dbm", "snr"}, None, "signal strength"),
    ({"uptime", "count", "counter", "packets", "bytes", "seq"}, None, "a counter"),
    ({"pressure", "hpa", "bar"}, None, "pressure"),
    ({"time", "timestamp", "ts", "epoch"}, None, "a time"),
)


@dataclass(frozen=True, slots=True)
class Guess:
    """What a stream seems to be, and the keys of a channel that would read it."""

    what: str
    """In words."""
    kind: Channel | None = None
    """The channel proposed; None where none is."""
    scale: float = 1.0
    offset_c: float = 0.0
    why: str = ""


def words_of(stream: Stream) -> list[str]:
    """Return the words in the stream's topic, record name and pointer, in small letters."""
    text = " ".join((stream.place.where, stream.place.name or "", stream.place.decode.partition(":")[2]))
    text = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text)
    return [word.lower() for word in re.split(r"[^A-Za-z0-9]+|(?<=[a-z])(?=[0-9])", text) if word]


def guess(stream: Stream) -> Guess:
    """Return what `stream` seems to be."""
    words = words_of(stream)
    values = list(stream.values)
    if not values:
        return Guess("nothing that can be read")
    if all(isinstance(v, str) for v in values):
        if "fault" in words:
            return Guess("word of a probe that something is wrong with it")
        return Guess("a text")
    if all(isinstance(v, bool) for v in values):
        return _on_off(words, "true or false, on or off")
    numbers = stream.numbers
    if numbers and set(numbers) <= {0.0, 1.0} and _is_switch(stream, words):
        return _on_off(words, "0 or 1")
    if not numbers:
        return Guess("nothing but fault codes of a 1-wire probe", why="85 or -127")
    return _number(stream, words, numbers)


def _is_switch(stream: Stream, words: list[str]) -> bool:
    return bool({*words} & (_HEAT_WORDS | _LIGHT_WORDS)) and stream.unit in (None, "/")


def _on_off(words: list[str], why: str) -> Guess:
    last = _last_of(words, _HEAT_WORDS, _LIGHT_WORDS)
    if last == 0:
        return Guess("heater, on or off", Channel.HEATER, why=why)
    if last == 1:
        return Guess("light, on or off", Channel.LIGHT, why=why)
    return Guess("on or off, of what its name does not say", why=why)


def _last_of(words: list[str], *groups: set[str]) -> int | None:
    """Return the number of the group whose word comes last: names go from the general to the special."""
    for word in reversed(words):
        for number, group in enumerate(groups):
            if word in group:
                return number
    return None


def _number(stream: Stream, words: list[str], numbers: list[float]) -> Guess:
    known = {*words}
    is_temperature = stream.unit in ("Cel", "K") or bool(known & _TEMPERATURE_WORDS)
    for other_words, unit, what in _OTHER:
        if (unit is not None and stream.unit == unit) or (not is_temperature and known & other_words):
            return Guess(what, why=f"unit {unit}" if unit and stream.unit == unit else "its name")
    if not is_temperature and not known & _WATER_WORDS:
        return Guess("a number")
    return _temperature(stream, words, numbers, is_temperature)


def _temperature(stream: Stream, words: list[str], numbers: list[float], is_named: bool) -> Guess:
    known = {*words}
    reading = _in_celsius(stream, known, numbers, is_named)
    if reading is None:
        return Guess("a temperature, but not of a tank" if is_named else "a number", why="its range")
    scale, offset_c, why = reading
    if known & _ELSEWHERE_WORDS:
        return Guess("a temperature of something else", why=f"its name: {min(known & _ELSEWHERE_WORDS)}")
    if known & _WISH_WORDS:
        return Guess(
            "a temperature that is wished for, not measured", why=f"its name: {min(known & _WISH_WORDS)}"
        )
    if not is_named and (all(n == int(n) for n in numbers) or len(numbers) < 3):
        return Guess("a number", why="in the range of tank water, but nothing else speaks for it")
    last = _last_of(words, _WATER_WORDS, _AIR_WORDS)
    if last == 1:
        return Guess("air temperature", Channel.AIR, scale, offset_c, why)
    return Guess("water temperature", Channel.TEMPERATURE, scale, offset_c, why)


def _in_celsius(
    stream: Stream, known: set[str], numbers: list[float], is_named: bool
) -> tuple[float, float, str] | None:
    """Return scale, offset and reason that lead to °C in the range of a tank; None where nothing does."""
    low, high = min(numbers), max(numbers)

    def fits(scale: float, offset_c: float = 0.0) -> bool:
        first, last = _WATER_RANGE_C
        return first <= low * scale + offset_c and high * scale + offset_c <= last

    if stream.unit == "K":
        return (1.0, 0.0, "unit K") if fits(1.0, -273.15) else None
    if stream.unit == "Cel":
        return (1.0, 0.0, "unit °C, range of a tank") if fits(1.0) else None
    fahrenheit = (5 / 9, -160 / 9)
    if known & _FAHRENHEIT_WORDS and fits(*fahrenheit):
        return (*fahrenheit, "Fahrenheit by its name and range")
    if fits(1.0):
        return 1.0, 0.0, "name and range of a tank in °C"
    if not is_named:
        return None
    whole = all(n == int(n) for n in numbers)
    for scale, word in ((0.1, "tenths"), (0.01, "hundredths"), (0.001, "thousandths")):
        if whole and fits(scale):
            return scale, 0.0, f"whole {word} of a degree by its range"
    return (*fahrenheit, "Fahrenheit by its range") if fits(*fahrenheit) else None
