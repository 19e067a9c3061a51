"""Who is on duty, and who is left in peace, at a local time."""

from collections.abc import Iterable
from datetime import datetime, timedelta

from tankwatch.alarms.model import Priority
from tankwatch.config_notify import PersonConfig

_DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def is_within(window: tuple[str, str], local: datetime) -> bool:
    """Tell whether `local` lies in a window of clock times; it may cross midnight, its end is outside."""
    start, end = (_minutes(text) for text in window)
    now = local.hour * 60 + local.minute
    return start <= now < end if start <= end else now >= start or now < end


def is_on_duty(person: PersonConfig, local: datetime) -> bool:
    """Tell whether `person` is on duty; the hours after midnight belong to the day the duty began."""
    if person.hours is None:
        return _DAYS[local.weekday()] in person.days
    if not is_within(person.hours, local):
        return False
    start, end = (_minutes(text) for text in person.hours)
    began = local - timedelta(days=1) if start > end and local.hour * 60 + local.minute < end else local
    return _DAYS[began.weekday()] in person.days


def may_be_told(
    person: PersonConfig, priority: Priority, local: datetime, everyone: Iterable[PersonConfig]
) -> bool:
    """Tell whether an alarm of this priority may reach `person` now.

    Critical alarms pass quiet hours, and reach even those off duty while nobody is on duty.
    """
    critical = priority is Priority.CRITICAL
    if priority.rank < Priority(person.from_priority).rank:
        return False
    if not is_on_duty(person, local):
        return critical and not any(is_on_duty(other, local) for other in everyone)
    return critical or person.quiet is None or not is_within(person.quiet, local)


def _minutes(text: str) -> int:
    hours, minutes = text.split(":")
    return int(hours) * 60 + int(minutes)
