"""What a configuration means: for each tank, what it will be watched for and what it will not be.

The report is plain data, fit for JSON; `as_lines` turns it into words.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tankwatch.alarms.model import Condition
from tankwatch.check_people import people_lines, people_of, ways_of
from tankwatch.config import (
    Config,
    MqttSourceConfig,
    OneWireSourceConfig,
    SerialSourceConfig,
    SourceConfig,
    TankConfig,
    warnings_of,
)
from tankwatch.printing import LONGEST_LINE
from tankwatch.reading import Channel
from tankwatch.rooms.topics import Topics
from tankwatch.safetext import safe_text
from tankwatch.split.shares import preferred

_ROOM = (
    (Condition.POWER_LOSS, "many tanks lose their power together"),
    (Condition.SOURCE_LOST, "a source of readings is not connected"),
    (Condition.STORE_BEHIND, "what is seen cannot be written"),
    (Condition.WATCH_STALLED, "the watch itself stands still"),
)


def report(config: Config, path: Path) -> dict[str, Any]:
    """Return what `config`, read from `path`, asks of the watch."""
    return {
        "config": str(path),
        "room": config.room.name,
        "timezone": config.room.timezone,
        "store": str(config.store.path),
        "sources": [
            {"id": source.id, "kind": source.kind, "address": _address(source)} for source in config.source
        ],
        "publish": _publish(config),
        "centre": _centre(config),
        "split": _split(config),
        "forward": None if config.forward is None else {"url": config.forward.url, "room": config.room.slug},
        "ways": ways_of(config),
        "people": people_of(config),
        "room_watched_for": [{"condition": c.value, "when": when} for c, when in _ROOM],
        "tanks": [_tank(tank) for tank in config.tank],
        "warnings": list(warnings_of(config)),
    }


def _publish(config: Config) -> dict[str, Any] | None:
    publish = config.publish
    if publish is None:
        return None
    return {
        "address": f"{publish.host}:{publish.port}{' with TLS' if publish.tls else ''}",
        "topic": Topics(publish.topic).of(config.room.slug, "…"),
        "acknowledge": publish.acknowledge,
    }


def _centre(config: Config) -> dict[str, Any] | None:
    centre = config.centre
    if centre is None:
        return None
    return {
        "address": f"{centre.host}:{centre.port}{' with TLS' if centre.tls else ''}",
        "rooms": list(centre.rooms),
        "silent_after_s": centre.silent_after_s,
    }


def _split(config: Config) -> dict[str, Any] | None:
    split = config.split
    if split is None:
        return None
    tanks: dict[str, list[str]] = {name: [] for name in split.watches}
    for tank in config.tank:
        name = preferred(tank.id, split.watches, split.listed)
        if name is not None:
            tanks[name].append(tank.id)
    return {"leases": split.leases, "lease_s": split.lease_s, "tanks_while_all_live": tanks}


def _address(source: SourceConfig) -> str:
    match source:
        case MqttSourceConfig():
            return f"{source.host}:{source.port}{' with TLS' if source.tls else ''}"
        case SerialSourceConfig():
            place = source.port or f"USB serial number {source.usb_serial}"
            return f"{place} at {source.baud} bit/s"
        case OneWireSourceConfig():
            return f"{source.path} every {source.interval_s:g} s"


def _tank(tank: TankConfig) -> dict[str, Any]:
    # A configuration without channel tables is one for replay, where the records bring what they bring.
    has = {channel.kind for channel in tank.channel} or set(Channel)
    return {
        "id": tank.id,
        "name": tank.label,
        "volume_l": tank.volume_l,
        "setpoint_c": tank.setpoint_c,
        "low_c": tank.band_low_c,
        "high_c": tank.band_high_c,
        "channels": [
            {
                "kind": channel.kind.value,
                "source": channel.source,
                "topic": channel.topic,
                "name": channel.name,
            }
            for channel in tank.channel
        ],
        "watched_for": [{"condition": c.value, "when": when} for c, when in _watched(tank, has)],
        "not_watched_for": [{"what": what, "why": why} for what, why in _not_watched(tank, has)],
    }


def _watched(tank: TankConfig, has: set[Channel]) -> Iterator[tuple[Condition, str]]:
    """Yield what is watched for and the figure that decides, where the file sets one."""
    if Channel.TEMPERATURE in has:
        yield Condition.TOO_COLD, f"water below {tank.band_low_c:g} °C"
        yield Condition.TOO_WARM, f"water above {tank.band_high_c:g} °C"
        yield Condition.COOLING_FAST, f"falls more than {tank.max_rate_c_per_h:g} °C in an hour"
        yield Condition.WARMING_FAST, f"rises more than {tank.max_rate_c_per_h:g} °C in an hour"
        yield Condition.WIDE_SWING, f"ranges over more than {tank.max_daily_swing_c:g} °C in 24 hours"
        yield Condition.PROBE_SILENT, f"no reading, where one is due every {tank.probe_interval_s:g} s"
        yield Condition.PROBE_FAULTY, "values that water cannot have"
        yield Condition.PROBE_FROZEN, "a value that never moves"
        yield Condition.PROBE_OUT_OF_WATER, "a value that moves as air does"
        yield from _watched_at_the_heater(tank)
    if Channel.LIGHT in has:
        yield Condition.LIGHT_OVERRUN, f"light for more than {tank.light_hours_max:g} h in a day"
        if tank.light_window:
            yield Condition.LIGHT_AFTER_HOURS, f"light outside {' to '.join(tank.light_window)}, local time"
        yield Condition.LIGHT_MISSED, "hardly any light on two days running"


def _watched_at_the_heater(tank: TankConfig) -> Iterator[tuple[Condition, str]]:
    power = f"{tank.heater_w:g} W" if tank.heater_w else "a power learned from the cycles"
    yield Condition.HEATER_STUCK_ON, "heats without a call"
    yield Condition.HEATER_NO_HEAT, f"calls, and no heat comes from {power}"
    yield Condition.HEATER_OVERLOADED, "always on, and the water falls"
    yield Condition.HEATER_DUTY_HIGH, "on for longer than this room explains"
    yield Condition.HEATER_SHORT_CYCLING, "switches far too often"
    yield Condition.THERMOSTAT_DRIFT, "its switching point creeps"
    yield Condition.HEATER_EXPOSED, "on while the level is lowered"


def _not_watched(tank: TankConfig, has: set[Channel]) -> Iterator[tuple[str, str]]:
    if Channel.TEMPERATURE not in has:
        yield "water and heater", "there is no temperature channel"
        return
    if not has & {Channel.HEATER, Channel.POWER}:
        yield "the heater's own state", "there is no heater or power channel: it is recovered from the water"
    if Channel.AIR not in has:
        yield "the room's air", "there is no air channel: it is estimated with the rest"
    if Channel.LIGHT not in has:
        yield "light", "there is no light channel"
    elif tank.light_window is None:
        yield "light after hours", "there is no light_window"


def as_lines(found: dict[str, Any]) -> list[str]:
    """Return a report in words, one line each; nothing in it can steer a terminal."""
    return [safe_text(line, LONGEST_LINE) for line in _lines(found)]


def _lines(found: dict[str, Any]) -> Iterator[str]:
    yield f"{found['config']}: fine"
    yield f"Room {found['room']} ({found['timezone']}), store {found['store']}"
    for source in found["sources"]:
        yield f"Source {source['id']}: {source['kind']} {source['address']}"
    if publish := found["publish"]:
        may = "alarms may be acknowledged from there" if publish["acknowledge"] else "to be looked at only"
        yield f"Published to {publish['address']} as {publish['topic']}: {may}"
    if split := found["split"]:
        yield f"Split among {len(split['tanks_while_all_live'])} watches; leases of {split['lease_s']:g} s"
        yield f"  in {split['leases']}; while all live:"
        for name, tanks in split["tanks_while_all_live"].items():
            yield f"  {name}: {', '.join(tanks) or 'no tank'}"
    if forward := found["forward"]:
        yield f"Forwarded to {forward['url']} as room {forward['room']}"
    if centre := found["centre"]:
        yield f"Centre of the rooms that publish to {centre['address']}"
        for room in centre["rooms"]:
            yield f"  room {room}: source-lost when it is silent for {centre['silent_after_s']:g} s"
    yield from people_lines(found["ways"], found["people"])
    for item in found["room_watched_for"]:
        yield f"  watched for {item['condition']:<20} {item['when']}"
    for tank in found["tanks"]:
        yield ""
        yield (
            f"Tank {tank['id']} ({tank['name']}): {tank['volume_l']:g} L at {tank['setpoint_c']:g} °C, "
            f"band {tank['low_c']:g} to {tank['high_c']:g} °C"
        )
        if not tank["channels"]:
            yield "  no channel tables: good for replay; a running watch hears nothing of it"
        for channel in tank["channels"]:
            place = " ".join(part for part in (channel["topic"], channel["name"]) if part)
            yield f"  {channel['kind']:<11} from {channel['source']}{f': {place}' if place else ''}"
        for item in tank["watched_for"]:
            yield f"  watched for {item['condition']:<20} {item['when']}"
        for item in tank["not_watched_for"]:
            yield f"  not watched: {item['what']} ({item['why']})"
