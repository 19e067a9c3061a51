"""A moment of the past as people say it: `3:00`, `yesterday 3:00`, `2026-01-01 3:00`."""

import re
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from tankwatch.errors import UsageError
from tankwatch.screen import words

EXAMPLES = "3:00, yesterday 3:00 or 2026-01-01 3:00"
_FORM = re.compile(
    r"(?:(?P<word>today|yesterday)|(?P<day>\d{4}-\d{1,2}-\d{1,2}))?"
    r"(?:(?:^|\s+|[tT])(?P<hour>\d{1,2})(?:[:.](?P<minute>\d{2}))?)?"
)


def moment_of(text: str, now_s: float, zone: ZoneInfo) -> float:
    """Return the moment that `text` means, seconds since 1970 UTC, in the local time of `zone`.

    A time without a day is the last such time before now: `3:00` at two in the morning is yesterday's. A
    day without a time is its beginning. Where clocks are set back the first of the two times is meant.

    Raises:
        UsageError: it is no time, or has not come yet.
    """
    found = _FORM.fullmatch(" ".join(text.split()).casefold())
    if found is None or not found.group():
        raise UsageError(f"expected a time such as {EXAMPLES}, got {text!r}")
    today = datetime.fromtimestamp(now_s, zone).date()
    day = _day(found, today, text)
    hour, minute = int(found["hour"] or 0), int(found["minute"] or 0)
    if hour > 23 or minute > 59:
        raise UsageError(f"expected a time from 0:00 to 23:59, got {text!r}")
    time_s = _local_s(day or today, hour, minute, zone)
    if time_s > now_s and day is None:
        time_s = _local_s(today - timedelta(days=1), hour, minute, zone)
    if time_s > now_s:
        raise UsageError(f"{words.clock(time_s, zone, now_s)} has not come yet")
    return time_s


def _day(found: re.Match[str], today: date, text: str) -> date | None:
    if found["word"]:
        return today - timedelta(days=1) if found["word"] == "yesterday" else today
    if not found["day"]:
        return None
    year, month, day = (int(part) for part in found["day"].split("-"))
    try:
        return date(year, month, day)
    except ValueError as error:
        raise UsageError(f"there is no such day: {text!r}") from error


def _local_s(day: date, hour: int, minute: int, zone: ZoneInfo) -> float:
    return datetime(day.year, day.month, day.day, hour, minute, tzinfo=zone).timestamp()
