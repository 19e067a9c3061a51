"""Small phrases of messages: times and durations for a person at three in the morning."""

import math
from datetime import UTC, datetime


def minutes_text(minutes: float) -> str:
    """Return a duration such as `40 min`, `3 h 20 min`, `over 2 days`."""
    if math.isnan(minutes):
        return "an unknown time"
    if minutes > 2880.0:
        return "over 2 days"
    whole = max(0, round(minutes))
    if whole < 90:
        return f"{whole} min"
    hours, rest = divmod(round(whole / 5) * 5, 60)
    return f"{hours} h {rest} min" if rest else f"{hours} h"


def since_text(stamp_s: float) -> str:
    """Return a stamp as `2026-09-22T03:14:05Z`."""
    return datetime.fromtimestamp(stamp_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def limit_text(margin_min: float | None, which: str) -> str:
    """Return a sentence on the time left to the `low` or `high` limit, or nothing where it is unknown."""
    if margin_min is None:
        return ""
    if margin_min <= 0.0:
        return f"Beyond the {which} limit already. "
    return f"{minutes_text(margin_min)} to the {which} limit. "
