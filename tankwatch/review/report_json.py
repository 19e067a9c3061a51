"""The review as one JSON object: times in RFC 3339 UTC, the unit in each name, unknown figures null."""

import math
from dataclasses import asdict, is_dataclass
from datetime import date
from typing import Any

from tankwatch.printing import utc
from tankwatch.review.review import Incident, RoomReview, TankReview


def as_json(review: RoomReview) -> dict[str, Any]:
    """Return the review fit for `json.dumps`."""
    return {
        "room": review.room,
        "timezone": review.timezone,
        "title": review.span.title,
        "from": utc(review.span.from_s),
        "to": utc(review.span.to_s),
        "made": utc(review.made_s),
        "needs_attention": review.needs_attention,
        "reasons": list(review.reasons),
        "not_watched": [plain(gap) for gap in review.blind],
        "room_alarms": [plain(alarm) for alarm in review.room_alarms],
        "tanks": [_tank(tank) for tank in review.tanks],
        "log": [plain(entry) for entry in review.log],
        "alarm_load": plain(review.load),
    }


def _tank(review: TankReview) -> dict[str, Any]:
    tank, usual = review.tank, review.usual
    return {
        "tank": tank.id,
        "name": tank.label,
        "setpoint_c": tank.setpoint_c,
        "low_c": tank.band_low_c,
        "high_c": tank.band_high_c,
        "needs_attention": review.needs_attention,
        "reasons": list(review.reasons),
        "water": plain(review.water),
        "heater": plain(review.heater),
        "light": plain(review.light),
        "strain": plain(review.strain),
        "gaps": [plain(gap) for gap in review.gaps],
        "refused_readings": review.refused,
        "usual_cycle_c": [usual.bottom_c, usual.top_c],
        "incidents": [_incident(incident) for incident in review.incidents],
        "alarms": [plain(alarm) for alarm in review.alarms],
    }


def _incident(incident: Incident) -> dict[str, Any]:
    believed = incident.believed
    return {
        **plain(incident.course),
        "needs_attention": incident.needs_attention,
        "cause": believed.cause.value if believed else None,
        "candidates": [
            {
                "cause": candidate.cause.value,
                "verdict": candidate.verdict,
                "points": candidate.points,
                "for": candidate.evidence_for,
                "against": candidate.evidence_against,
            }
            for candidate in incident.candidates
        ],
        "evidence": plain(incident.evidence),
        "two_smaller_heaters": plain(incident.what_if),
    }


def plain(value: Any) -> Any:
    """Return dataclasses as objects, days as ISO 8601.

    A time in seconds becomes RFC 3339 under the name without `_s`.
    """
    if is_dataclass(value) and not isinstance(value, type):
        value = asdict(value)
    if isinstance(value, dict):
        found = {}
        for key, item in value.items():
            is_moment = key.endswith("_s") and isinstance(item, float) and item > 1e8
            if is_moment:
                found[key.removesuffix("_s")] = utc(item)
            else:
                found[key.removesuffix("_s") if key.endswith("_s") and item is None else key] = plain(item)
        return found
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        return round(value, 6) if math.isfinite(value) else None
    return value
