"""Water tests and observations as one line of the care log, quick to type and exact to read back.

A water test:    t=25.1 ph=7.4 ammonia=0.5:NH4 nitrite=0.1 nitrate=20:NO3 note: after the change
An observation:  gill=25/30s@25.1 hiding=3/10 chasing=4min erratic feeding=some newcomers=2d note: by the door
"""

import contextlib
import difflib
import math
import shlex
from collections.abc import Iterable, Mapping
from dataclasses import replace

from tankwatch.care.gill_beats import GillCount
from tankwatch.care.observations import Breathing, FeedingResponse, Observation
from tankwatch.care.plan import sensible_input
from tankwatch.care.water_tests import WaterTest
from tankwatch.errors import UsageError
from tankwatch.physics.nitrogen import NitrogenUnit

TEST_KIND = "test"
"""Kind of a log entry that is a water test."""
OBSERVATION_KIND = "look"
"""Kind of a log entry that is an observation."""

_TEST_NUMBERS = {
    "t": "temperature_c",
    "ph": "ph",
    "hardness": "hardness_mg_caco3_per_l",
    "alkalinity": "alkalinity_mg_caco3_per_l",
    "oxygen": "oxygen_mg_per_l",
    "altitude": "altitude_m",
}
_TEST_NITROGEN = ("ammonia", "nitrite", "nitrate")
_TEST_KEYS = (*_TEST_NUMBERS, *_TEST_NITROGEN)
_LOOK_KEYS = ("breathing", "gill", "hiding", "chasing", "erratic", "feeding", "newcomers", "photo")


def water_test_text(test: WaterTest) -> str:
    """Return a water test as a line; `parse_test` reads the same test back."""
    words = []
    for key, name in _TEST_NUMBERS.items():
        value = getattr(test, name)
        if value is not None and not (key == "altitude" and value == 0.0):
            words.append(f"{key}={value!r}")
    for key in _TEST_NITROGEN:
        value = getattr(test, f"{key}_mg_per_l")
        if value is not None:
            words.append(f"{key}={value!r}:{getattr(test, f'{key}_unit')}")
    return " ".join(words)


@sensible_input()
def parse_test(text: str, temperature_c: float | None = None) -> tuple[WaterTest, str]:
    """Read a water test and its note; `temperature_c` is the tank's own where the line gives none.

    Raises:
        UsageError: an unknown word, a number that is none or that no water gives, or no temperature.
    """
    words, note = _split(text)
    fields: dict[str, float | NitrogenUnit] = {}
    for key, value in _pairs(words, _TEST_KEYS).items():
        if key in _TEST_NITROGEN:
            number, _, unit = value.partition(":")
            fields[f"{key}_mg_per_l"] = _number(key, number)
            if unit:
                fields[f"{key}_unit"] = _unit(key, unit)
        else:
            fields[_TEST_NUMBERS[key]] = _number(key, value)
    if "temperature_c" not in fields:
        if temperature_c is None:
            raise ValueError("the water's temperature is not known: add t=25.0")
        fields["temperature_c"] = temperature_c
    test = WaterTest(**fields)  # type: ignore[arg-type]
    test.check()
    return test, note


def observation_text(observation: Observation) -> str:
    """Return an observation as a line; `parse_observation` reads the same back."""
    o = observation
    words = [] if o.breathing is Breathing.NORMAL else [f"breathing={shlex.quote(o.breathing)}"]
    if o.gill is not None:
        words.append(f"gill={o.gill.beats}/{o.gill.seconds!r}s@{o.gill.water_c!r}")
    if o.fish is not None or o.hiding:
        words.append(f"hiding={o.hiding}" + (f"/{o.fish}" if o.fish is not None else ""))
    if o.chasing:
        words.append("chasing" if o.calm_down_min is None else f"chasing={o.calm_down_min!r}min")
    if o.erratic:
        words.append("erratic")
    if o.feeding is not FeedingResponse.NOT_OFFERED:
        words.append(f"feeding={o.feeding}")
    if o.newcomers_since_days is not None:
        words.append(f"newcomers={o.newcomers_since_days!r}d")
    words += [f"photo={shlex.quote(path)}" for path in o.attachments]
    if o.note:
        words.append(f"note: {o.note}")
    return " ".join(words) or "nothing odd"


@sensible_input()
def parse_observation(text: str, time_s: float, water_c: float | None = None) -> Observation:
    """Read an observation made at `time_s`; `water_c` is the tank's temperature where the count gives none.

    `nothing odd` is an observation too.

    Raises:
        UsageError: an unknown word, a number that is none or that cannot be, or a gill count without any
            temperature.
    """
    words, note = _split(text)
    photos = tuple(word.removeprefix("photo=") for word in words if word.startswith("photo="))
    words = [word for word in words if not word.startswith("photo=")]
    if words == ["nothing", "odd"]:
        words = []
    observation = Observation(time_s, note=note, attachments=photos)
    for key, value in _pairs(words, _LOOK_KEYS).items():
        observation = replace(observation, **_look(key, value, water_c))  # type: ignore[arg-type]
    observation.check()
    return observation


def observations_in(entries: Iterable[tuple[float, str]]) -> list[Observation]:
    """Return the observations among log entries, (seconds since 1970, text); free prose is passed over."""
    found = []
    for time_s, text in entries:
        with contextlib.suppress(UsageError):
            found.append(parse_observation(text, time_s))
    return found


def _look(key: str, value: str, water_c: float | None) -> Mapping[str, object]:
    """Return the fields of an observation that one word sets."""
    if key == "breathing":
        return {"breathing": Breathing(_choice(key, value, [str(b) for b in Breathing]))}
    if key == "feeding":
        return {"feeding": FeedingResponse(_choice(key, value, [str(f) for f in FeedingResponse]))}
    if key == "erratic":
        return {"erratic": True}
    if key == "chasing":
        calm = None if value == "" else _number(key, value.removesuffix("min"))
        return {"chasing": True, "calm_down_min": calm}
    if key == "newcomers":
        return {"newcomers_since_days": _number(key, value.removesuffix("d"))}
    if key == "hiding":
        hiding, slash, fish = value.partition("/")
        return {"hiding": _whole(key, hiding), "fish": _whole(key, fish) if slash else None}
    return {"gill": _gill(value, water_c)}


def _gill(value: str, water_c: float | None) -> GillCount:
    count, _, temperature = value.partition("@")
    beats, slash, seconds = count.partition("/")
    if not slash:
        raise ValueError(f"gill={value!r}: expected beats and seconds, such as gill=25/30s")
    if temperature:
        water_c = _number("gill", temperature)
    if water_c is None:
        raise ValueError(
            f"gill={value!r}: the water's temperature is not known: add it, such as gill=25/30s@25.0"
        )
    gill = GillCount(_whole("gill", beats), _number("gill", seconds.removesuffix("s")), water_c)
    gill.check()
    return gill


def _split(text: str) -> tuple[list[str], str]:
    """Return the words before `note:`, quotes taken off, and the note."""
    head, _, note = f" {text}".partition(" note:")
    try:
        return shlex.split(head), note.strip()
    except ValueError as error:
        raise ValueError(f"{text!r}: a quote is not closed; free text goes after note:") from error


def _pairs(words: list[str], known: tuple[str, ...]) -> dict[str, str]:
    pairs: dict[str, str] = {}
    for word in words:
        key, _, value = word.partition("=")
        key = key.lower()
        if key not in known:
            close = difflib.get_close_matches(key, known, n=1, cutoff=0.6)
            hint = f" (did you mean {close[0]!r}?)" if close else ""
            raise ValueError(
                f"unknown word {word!r}{hint}; expected {', '.join(known)}, and free text after note:"
            )
        if key in pairs:
            raise ValueError(f"{key} is given twice")
        pairs[key] = value
    return pairs


def _number(key: str, text: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise ValueError(f"{key}: expected a number, got {text!r}")
    return number


def _whole(key: str, text: str) -> int:
    if not text.isascii() or not text.isdigit():
        raise ValueError(f"{key}: expected a whole number, got {text!r}")
    return int(text)


def _unit(key: str, text: str) -> NitrogenUnit:
    return NitrogenUnit(_choice(key, text.upper(), [str(u) for u in NitrogenUnit]))


def _choice(key: str, text: str, choices: list[str]) -> str:
    if text not in choices:
        raise ValueError(f"{key}: expected one of {', '.join(choices)}, got {text!r}")
    return text
