"""Steps of alarms as lines: JSON for programs, words for people."""

import math
from datetime import UTC, datetime
from typing import Any

from tankwatch.alarms.model import Transition
from tankwatch.safetext import safe_json, safe_text

LONGEST_LINE = 2000
"""Characters; no line for people is longer."""


def step_as_json(step: Transition) -> str:
    """Return `step` as one JSON object on one line; keys without a value are left out, `tank` never is."""
    alarm = step.alarm
    record: dict[str, Any] = {
        "time": utc(step.time_s),
        "tank": alarm.tank,
        "alarm": alarm.condition.value,
        "state": alarm.state.value,
        "priority": alarm.priority.value,
        "message": alarm.message,
        "since": utc(alarm.since_s),
    }
    extras = {
        "value": alarm.value,
        "margin_min": alarm.margin_min,
        "evidence": alarm.evidence or None,
        "subject": alarm.subject,
        "who": step.who,
        "why": step.why,
    }
    record.update((key, value) for key, value in extras.items() if value is not None)
    return safe_json(record)


def step_as_text(step: Transition) -> str:
    """Return `step` as one line of words; control characters are made visible."""
    alarm = step.alarm
    place = alarm.tank or alarm.subject or "room"
    return safe_text(
        f"{utc(step.time_s)}  {place}  {alarm.condition.value}  "
        f"{alarm.state.value} ({alarm.priority.value})  {alarm.message}",
        LONGEST_LINE,
    )


def utc(time_s: float) -> str:
    """Return a time (seconds since 1970 UTC) in the form of RFC 3339, to the next full second.

    Rounded up: an alarm must not bear a time before the reading that justifies it.
    """
    return datetime.fromtimestamp(math.ceil(time_s - 1e-6), UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
