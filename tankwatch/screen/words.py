"""Numbers and states in a keeper's words, kept coarse so that a quiet room also looks quiet."""

import math
from datetime import datetime
from zoneinfo import ZoneInfo

MINUS = "−"


def span(minutes: float) -> str:
    """Return a length of time: `4 min`, `1 h 20 min`, `11 h`, `3 days`.

    Above one hour it goes in steps of five minutes, above five hours in whole hours. It is rounded down:
    a keeper must never be promised more time than there is.
    """
    if math.isnan(minutes) or minutes < 0:
        return "0 min"
    whole = int(minutes)
    if whole < 1:
        return "under 1 min"
    if whole < 60:
        return f"{whole} min"
    if whole < 300:
        hours, rest = divmod(whole - whole % 5, 60)
        return f"{hours} h {rest} min" if rest else f"{hours} h"
    if whole < 48 * 60:
        return f"{whole // 60} h"
    return f"{whole // 1440} days"


def age(seconds: float | None) -> str:
    """Return how long ago something was: `just now` within a minute, then coarse."""
    if seconds is None:
        return "never"
    return "just now" if seconds < 60 else f"{span(seconds / 60)} ago"


def degrees(value_c: float | None, digits: int = 1) -> str:
    """Return a temperature such as `24.8 °C`; `–` for none."""
    return "–" if value_c is None or math.isnan(value_c) else f"{_signed(value_c, digits)} °C"


def difference(value_k: float, digits: int = 1) -> str:
    """Return a difference of temperatures with its sign, such as `+0.4` or `−1.2`."""
    text = _signed(value_k, digits)
    return text if text.startswith(MINUS) or float(text) == 0 else f"+{text}"


def _signed(value: float, digits: int) -> str:
    rounded = f"{abs(value):.{digits}f}"
    return MINUS + rounded if value < 0 and float(rounded) else rounded


def percent(share: float | None) -> str:
    """Return a share 0..1 as `31 %`; `–` for none."""
    return "–" if share is None or math.isnan(share) else f"{round(100 * share)} %"


def hours(value_h: float | None) -> str:
    """Return hours such as `5 h 20 min`; `–` for none."""
    if value_h is None or math.isnan(value_h):
        return "–"
    minutes = int(value_h * 60 + 1e-6)
    whole, rest = divmod(minutes, 60)
    if not whole:
        return f"{rest} min"
    return f"{whole} h {rest:02d} min" if rest else f"{whole} h"


def clock(time_s: float, zone: ZoneInfo, now_s: float | None = None) -> str:
    """Return local `03:14`, with the day in front where it is not the day of `now_s`."""
    then = datetime.fromtimestamp(time_s, zone)
    if now_s is not None and datetime.fromtimestamp(now_s, zone).date() == then.date():
        return f"{then:%H:%M}"
    return f"{then:%a} {then.day} {then:%b} {then:%H:%M}"


def size(count: int) -> str:
    """Return a number of bytes such as `4.2 MB`."""
    value = float(count)
    for unit in ("B", "kB", "MB"):
        if value < 1000:
            return f"{value:.0f} {unit}" if unit == "B" else f"{value:.1f} {unit}"
        value /= 1000
    return f"{value:.1f} GB"


def how_many(count: int, one: str, many: str | None = None) -> str:
    """Return `1 tank`, `3 tanks`."""
    return f"{count:,} {one if count == 1 else many or one + 's'}".replace(",", " ")


_OF_LINKS = {"[publish]": "Link to the centre", "[centre]": "Broker of the rooms"}


def of_what(subject: str | None) -> str:
    """Return what an alarm of no tank is about: the room, a source, a link, or a room elsewhere."""
    if subject is None or not subject:
        return "Whole room"
    if subject.startswith("room "):
        return "Room " + subject.removeprefix("room ")
    return _OF_LINKS.get(subject, f"Source {subject}")
