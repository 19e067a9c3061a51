"""What a configuration means for people: who is told what, when, and how. Secrets are never shown."""

import os
from collections.abc import Iterator
from typing import Any

from tankwatch.config import Config
from tankwatch.config_notify import (
    AppriseWayConfig,
    CommandWayConfig,
    MqttWayConfig,
    PersonConfig,
    WayConfig,
    url_variable,
)

_ALL_DAYS = 7


def ways_of(config: Config) -> list[dict[str, Any]]:
    """Return the ways, fit for JSON."""
    return [{"id": way.id, "kind": way.kind, "by": _by(way)} for way in config.way]


def people_of(config: Config) -> list[dict[str, Any]]:
    """Return the people in the order in which they are told, fit for JSON."""
    people = sorted(config.person, key=lambda person: person.after_min)
    return [
        {
            "id": person.id,
            "ways": list(person.ways),
            "from_priority": person.from_priority,
            "days": list(person.days),
            "hours": None if person.hours is None else list(person.hours),
            "quiet": None if person.quiet is None else list(person.quiet),
            "after_min": person.after_min,
            "told": _told(person),
        }
        for person in people
    ]


def people_lines(ways: list[dict[str, Any]], people: list[dict[str, Any]]) -> Iterator[str]:
    """Yield both as lines of words."""
    for way in ways:
        yield f"Way {way['id']}: {way['kind']}, {way['by']}"
    for person in people:
        yield f"Person {person['id']}: {person['told']}, by {', '.join(person['ways'])}"
    if not people:
        yield "Nobody is told: there is no [[person]]; alarms stand on the screen only"


def _by(way: WayConfig) -> str:
    match way:
        case AppriseWayConfig():
            if url_variable(way.id) in os.environ:
                return f"URL from the environment variable {url_variable(way.id)}"
            return "URL from the configuration" if way.url_file is None else f"URL from {way.url_file}"
        case MqttWayConfig():
            return f"through source {way.source}, topics below {way.topic}"
        case CommandWayConfig():
            return f"program {way.command[0]}, for at most {way.timeout_s:g} s"


def _told(person: PersonConfig) -> str:
    days = "every day" if len(set(person.days)) == _ALL_DAYS else " ".join(person.days)
    hours = "" if person.hours is None else f" {person.hours[0]} to {person.hours[1]}"
    parts = [f"told from {person.from_priority} on", f"{days}{hours}"]
    if person.quiet is not None:
        parts.append(f"critical only {person.quiet[0]} to {person.quiet[1]}")
    if person.after_min:
        parts.append(f"after {person.after_min:g} min without acknowledgement")
    return ", ".join(parts)
