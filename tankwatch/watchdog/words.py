"""Small phrases of messages: times and durations for a person at three in the morning."""

import math
from datetime import UTC, datetime, tzinfo


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


def beyond_text(value: float, limit: float) -> str:
    """Return `value` with as many decimals, up to three, as show on which side of `limit` it is.

    A message must never read `8.0 h, at most 8` or `8.0 h, at most 8.04`.
    """
    for decimals in (1, 2):
        text = f"{value:.{decimals}f}"
        if (float(text) - limit) * (value - limit) > 0.0:
            return text
    return f"{value:.3f}"


def clock_text(stamp_s: float, zone: tzinfo) -> str:
    """Return a stamp as a keeper reads it, in local time: `03:14 on Tue 22 Sep`."""
    local = datetime.fromtimestamp(stamp_s, UTC).astimezone(zone)
    return f"{local:%H:%M} on {local:%a} {local.day} {local:%b}"


def limit_text(margin_min: float | None, which: str) -> str:
    """Return a sentence on the time left to the `low` or `high` limit, or nothing where it is unknown."""
    if margin_min is None:
        return ""
    if margin_min <= 0.0:
        return f"Beyond the {which} limit already. "
    return f"{minutes_text(margin_min)} to the {which} limit. "
