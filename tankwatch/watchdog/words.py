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
