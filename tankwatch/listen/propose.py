"""From streams to a configuration that works as it stands: one tank for each stream of water temperature.

What only the keeper knows, such as volume and setpoint, is put in as a guess and marked so.
"""

import re
import statistics
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from pydantic import ValidationError

from tankwatch.config import Config
from tankwatch.listen.guess import Guess
from tankwatch.listen.stream import Place, Stream
from tankwatch.listen.tables import toml_text
from tankwatch.reading import Channel

_GUESSED_VOLUME_L = 100.0
_TAKEN_WITH = (Channel.HEATER, Channel.LIGHT, Channel.AIR)


@dataclass(frozen=True, slots=True)
class Heard:
    """A stream and what it seems to be."""

    stream: Stream
    guess: Guess


@dataclass(frozen=True, slots=True)
class Proposal:
    """A configuration for what was heard."""

    text: str | None
    """The whole file, which loads as it stands; None where no stream is a tank's."""
    left_out: dict[Place, str] = field(default_factory=dict)
    """By stream that no configuration can read: why."""


def propose(heard: Sequence[Heard], sources: Sequence[str]) -> Proposal:
    """Return a whole configuration file that loads, without the streams that would keep it from loading.

    `sources` are the `[[source]]` tables of all that was listened to, as TOML, in which `id = "…"` stands.
    """
    waters = [one for one in heard if one.guess.kind is Channel.TEMPERATURE]
    used = {one.stream.place.source for one in heard if one.guess.kind is not None}
    tables = [table for table in sources if any(f"id = {toml_text(name)}" in table for name in used)]
    head = [
        '[room]\nname = "My tanks"\ntimezone = "Etc/UTC"                # yours, such as Europe/Lisbon\n',
        *tables,
    ]
    tanks = _tanks(heard, waters)
    left_out: dict[Place, str] = {}
    whole = "\n".join([*head, *tanks])
    if tanks and _refusal(whole) is not None:  # one at a time, to find those that it is about
        for one in heard:
            if one.guess.kind is Channel.TEMPERATURE or one.guess.kind in _TAKEN_WITH:
                why = _refusal("\n".join([*head, _alone(one)]))
                if why is not None:
                    left_out[one.stream.place] = why
        waters = [one for one in waters if one.stream.place not in left_out]
        tanks = _tanks([one for one in heard if one.stream.place not in left_out], waters)
        whole = "\n".join([*head, *tanks])
    return Proposal(whole if tanks else None, left_out)


def _tanks(heard: Sequence[Heard], waters: Sequence[Heard]) -> list[str]:
    """Return the table of a tank for each of `waters`."""
    tables = []
    taken: set[str] = set()
    groups = [group_of(one.stream) for one in waters]
    for water, group in zip(waters, groups, strict=True):
        alone = _is_alone_in_its_payload(water, waters)
        fellows = _fellows(heard, water, group, alone) if groups.count(group) == 1 else []
        tables.append(_tank(_free_id(group, taken), water, fellows, alone))
    return tables


def _alone(heard: Heard) -> str:
    """Return the table of a tank that has nothing but this stream."""
    if heard.guess.kind is Channel.TEMPERATURE:
        return _tank("tank", heard, (), False)
    plain = ["[[tank]]", 'id = "tank"', f"volume_l = {_GUESSED_VOLUME_L}", "setpoint_c = 25.0", ""]
    return "\n".join([*plain, *_channel(heard, False)])


def _refusal(text: str) -> str | None:
    """Return why `text` is no configuration; None where it is one."""
    try:
        Config.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        return str(error)
    except ValidationError as error:
        detail = error.errors()[0]
        key = next((part for part in reversed(detail["loc"]) if isinstance(part, str)), "")
        return ": ".join(part for part in (key, detail["msg"].removeprefix("Value error, ")) if part)
    return None


def group_of(stream: Stream) -> tuple[str, ...]:
    """Return what the streams of one tank share: source, topic without its last word, and the way inside."""
    place = stream.place
    if place.kind == "mqtt" and place.decode in {"number", "onoff"}:
        return (place.source, *place.where.split("/")[:-1])
    if place.decode.startswith("pointer:"):
        return (place.source, *place.where.split("/"), *place.decode.split("/")[1:-1])
    # A serial number before the record's name is the sensor's, not the tank's: a heater has none.
    head = re.split(r"[/:]", place.name or "")[:-1]
    head = [part for part in head if not re.fullmatch(r"[0-9a-f]{2}-[0-9a-f]{12}|[0-9A-F]{16}", part)]
    return (place.source, *place.where.split("/"), *head)


def _fellows(heard: Iterable[Heard], water: Heard, group: tuple[str, ...], alone: bool) -> list[Heard]:
    """Return heater, light and air of the same group, at most one of each.

    Where the payload holds no other water, whatever stands in it is taken for this tank's.
    """
    found: dict[Channel, Heard] = {}
    for one in heard:
        kind = one.guess.kind
        in_payload = alone and one.stream.place[:3] == water.stream.place[:3]
        if kind in _TAKEN_WITH and kind is not None and (in_payload or group_of(one.stream) == group):
            found.setdefault(kind, one)
    return list(found.values())


def _is_alone_in_its_payload(water: Heard, waters: Sequence[Heard]) -> bool:
    place = water.stream.place
    return not any(o is not water and o.stream.place[:3] == place[:3] for o in waters)


def _free_id(group: tuple[str, ...], taken: set[str]) -> str:
    """Return an id from the last word of the group that can be one, and is not taken."""
    words = [re.sub(r"[^A-Za-z0-9_.-]+", "-", word).strip("-.") for word in reversed(group[1:])]
    dull = {"tele", "stat", "state", "status", "sensor", "sensors", "report", "data", "dev"}
    usable = [
        word for word in words if word and not word.isdigit() and word.lower() not in dull and len(word) <= 40
    ]
    base = "tank" if not usable or group[1] == "" else usable[0]
    number, own = 1, base
    while own in taken:
        number += 1
        own = f"{base}-{number}"
    taken.add(own)
    return own


def _tank(tank_id: str, water: Heard, fellows: Sequence[Heard], alone: bool) -> str:
    numbers = water.stream.numbers
    middle_c = statistics.median(numbers) * water.guess.scale + water.guess.offset_c
    if water.stream.unit == "K":
        middle_c -= 273.15
    lines = [
        "[[tank]]",
        f"id = {toml_text(tank_id)}",
        f"volume_l = {_GUESSED_VOLUME_L}                   # a guess: put in the litres of water",
        f"setpoint_c = {min(max(round(2 * middle_c) / 2, 15.0), 34.0)}                  "
        "# a guess from what was heard: put in what the thermostat is set to",
    ]
    interval_s = water.stream.interval_s
    if interval_s is not None:
        lines.append(f"probe_interval_s = {_rounded_interval(interval_s)}")
    lines.append("")
    lines += _channel(water, alone)
    for fellow in fellows:
        lines += _channel(fellow, True)
    return "\n".join(lines)


def _rounded_interval(interval_s: float) -> float:
    near_s = max(1.0, float(round(interval_s))) if interval_s < 90 else float(round(interval_s / 10) * 10)
    return min(near_s, 86_400.0)


def _channel(heard: Heard, alone: bool) -> list[str]:
    """Return a channel table, each key only where it is needed."""
    place, guess = heard.stream.place, heard.guess
    kind = guess.kind.value if guess.kind else ""
    lines = ["[[tank.channel]]", f'kind = "{kind}"', f"source = {toml_text(place.source)}"]
    if place.kind == "mqtt":
        lines.append(f"topic = {toml_text(place.where)}")
    if place.decode != "senml":
        lines.append(f"decode = {toml_text(place.decode)}")
    if place.kind == "onewire":
        lines.append(f"name = {toml_text(place.where)}")
    elif place.name is not None and not (alone and place.name.endswith(kind)):
        lines.append(f"name = {toml_text(place.name)}")
    if guess.scale != 1.0:
        lines.append(f"scale = {guess.scale!r}")
    if guess.offset_c:
        lines.append(f"offset_c = {guess.offset_c!r}")
    return [*lines, ""]
