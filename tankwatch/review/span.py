"""The stretch that is reviewed: a night by local time, or any two times."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from tankwatch.errors import UsageError

NIGHT = ("20:00", "08:00")
"""Local times at which a night begins and ends, unless told otherwise."""


@dataclass(frozen=True, slots=True)
class Span:
    """From one time to a later one, in seconds since 1970 UTC."""

    from_s: float
    to_s: float
    title: str

    @property
    def hours(self) -> float:
        """Length in hours."""
        return (self.to_s - self.from_s) / 3600.0


def night_of(day: date, zone: ZoneInfo, hours: tuple[str, str] = NIGHT) -> Span:
    """Return the night that begins on the evening of `day`.

    Local clock times are turned to UTC one by one, so a night in which clocks change is an hour longer or
    shorter.
    """
    begin = _at(day, hours[0], zone)
    end = _at(day, hours[1], zone)
    if end <= begin:
        end = _at(day + timedelta(days=1), hours[1], zone)
    return Span(begin, end, f"Night of {day.isoformat()}")


def last_night(now_s: float, zone: ZoneInfo, hours: tuple[str, str] = NIGHT) -> Span:
    """Return the newest night that has begun; one that is under way ends now."""
    day = datetime.fromtimestamp(now_s, zone).date()
    night = night_of(day, zone, hours)
    if night.from_s >= now_s:
        night = night_of(day - timedelta(days=1), zone, hours)
    if night.to_s > now_s:
        return Span(night.from_s, now_s, f"{night.title} so far")
    return night


def span_between(begin: str | None, end: str | None, now_s: float, zone: ZoneInfo) -> Span:
    """Return the stretch between two times as people write them; without `end`, up to now.

    Raises:
        UsageError: a time cannot be read, or the end does not come after the begin.
    """
    to_s = now_s if end is None else time_of(end, zone)
    from_s = to_s - 12 * 3600.0 if begin is None else time_of(begin, zone)
    if not from_s < to_s:
        raise UsageError(f"the stretch ends before it begins: {local(from_s, zone)} to {local(to_s, zone)}")
    return Span(from_s, to_s, f"{local(from_s, zone)} to {local(to_s, zone)}")


def time_of(text: str, zone: ZoneInfo) -> float:
    """Return a time in ISO 8601 as seconds since 1970 UTC; without an offset it is local.

    Raises:
        UsageError: it is none.
    """
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise UsageError(
            f"expected a time such as 2026-09-21, 2026-09-21T20:00 or 2026-09-21T20:00Z, got {text!r}"
        ) from error
    return (moment if moment.tzinfo is not None else moment.replace(tzinfo=zone)).timestamp()


def day_of(text: str) -> date:
    """Return a calendar day.

    Raises:
        UsageError: it is none.
    """
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise UsageError(f"expected a day such as 2026-09-21, got {text!r}") from error


def midnight_s(day: date, zone: ZoneInfo) -> float:
    """Return when a local day begins, seconds since 1970 UTC."""
    return _at(day, "00:00", zone)


def local(time_s: float, zone: ZoneInfo) -> str:
    """Return a time as local date and time with its zone, to the minute."""
    return datetime.fromtimestamp(time_s, UTC).astimezone(zone).strftime("%Y-%m-%d %H:%M %Z")


def _at(day: date, clock_time: str, zone: ZoneInfo) -> float:
    hour, minute = (int(part) for part in clock_time.split(":"))
    if hour == 24:
        day, hour = day + timedelta(days=1), 0
    return datetime(day.year, day.month, day.day, hour, minute, tzinfo=zone).timestamp()
