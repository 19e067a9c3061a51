"""Strips: for each cell, the share of time that something was on."""

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from tankwatch.screen.chart.decimate import Floats

_EIGHTHS = " ▁▂▃▄▅▆▇█"
UNKNOWN = "·"


def share_glyphs(shares: Floats) -> str:
    """Return one character per share 0..1: rising blocks, `·` where nothing is known.

    The smallest share above nothing shows as the lowest block, and only always-on fills the cell.
    """
    return "".join(_glyph(float(share)) for share in shares)


def _glyph(share: float) -> str:
    if np.isnan(share):
        return UNKNOWN
    if share <= 0.01:
        return _EIGHTHS[0]
    if share >= 0.99:
        return _EIGHTHS[8]
    return _EIGHTHS[1 + min(6, int(share * 7))]


def hours_by_day(
    time_s: Floats, share: Floats, bucket_s: float, zone: ZoneInfo, now_s: float, days: int
) -> list[tuple[datetime, float | None]]:
    """Return the hours on for each of the last `days` local days, the oldest first, today last.

    `time_s` holds the middle of buckets of `bucket_s` seconds, `share` what part of each was on. A day
    without any known bucket gives None.
    """
    today = datetime.fromtimestamp(now_s, zone).date()
    out: list[tuple[datetime, float | None]] = []
    for back in range(days - 1, -1, -1):
        day = today - timedelta(days=back)
        start = _midnight(day.year, day.month, day.day, zone)
        after = day + timedelta(days=1)
        end = _midnight(after.year, after.month, after.day, zone)
        inside = (time_s >= start.timestamp()) & (time_s < end.timestamp()) & np.isfinite(share)
        hours = float(share[inside].sum()) * bucket_s / 3600 if inside.any() else None
        out.append((start, hours))
    return out


def _midnight(year: int, month: int, day: int, zone: ZoneInfo) -> datetime:
    return datetime(year, month, day, tzinfo=zone).astimezone(UTC).astimezone(zone)


def bar(values: Iterable[float | None], top: float) -> str:
    """Return a row of blocks for `values` against `top`."""
    return "".join(UNKNOWN if v is None else _glyph(min(v / top, 1.0)) for v in values)
