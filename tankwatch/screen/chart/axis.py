"""Ticks of the value axis and of the time axis; times are local and right across clock changes."""

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

_MINUTE = 60
_HOUR = 3600
_DAY = 86_400
_STEPS_S = (
    *(_MINUTE * n for n in (1, 2, 5, 10, 15, 30)),
    *(_HOUR * n for n in (1, 2, 3, 4, 6, 12)),
    *(_DAY * n for n in (1, 2, 7, 14)),
)
_MONTH_STEPS = (1, 2, 3, 6, 12)


@dataclass(frozen=True, slots=True)
class Tick:
    """One mark on the time axis."""

    time_s: float
    label: str
    major: bool
    """Begins a local day, or a year where the steps are months."""


def value_ticks(low: float, high: float, most: int) -> list[float]:
    """Return at most `most` round values between `low` and `high`, steps of 1, 2 or 5 times a power of ten.

    Raises:
        ValueError: the range is empty or not finite, or `most` is below one.
    """
    if not (math.isfinite(low) and math.isfinite(high)) or high <= low or most < 1:
        raise ValueError(f"expected a finite range and room for a tick, got {low}, {high}, {most}")
    power = math.floor(math.log10((high - low) / most)) - 1
    for exponent in range(power, power + 4):
        for base in (1, 2, 5):
            step = base * 10.0**exponent
            first = math.ceil(low / step - 1e-9)
            last = math.floor(high / step + 1e-9)
            if 0 < last - first + 1 <= most:
                return [round(n * step, 10) for n in range(first, last + 1)]
    return []


def time_ticks(from_s: float, to_s: float, zone: ZoneInfo, most: int) -> list[Tick]:
    """Return at most about `most` ticks at round local times between two times.

    Steps below a day stand at multiples of the step on the local clock; when the clocks change, hours keep
    their names and their distance changes, as on a wall clock. Steps of days and months begin at local
    midnight.

    Raises:
        ValueError: `to_s` is not after `from_s`.
    """
    if to_s <= from_s:
        raise ValueError(f"expected from_s < to_s, got {from_s}, {to_s}")
    most = max(most, 1)
    wanted = (to_s - from_s) / most
    for step in _STEPS_S:
        if step >= wanted:
            return (
                _day_ticks(from_s, to_s, zone, step // _DAY)
                if step >= _DAY
                else _clock_ticks(from_s, to_s, zone, step)
            )
    for months in _MONTH_STEPS:
        if months * 30.5 * _DAY >= wanted:
            return _month_ticks(from_s, to_s, zone, months)
    return _month_ticks(from_s, to_s, zone, 12 * math.ceil(wanted / (365 * _DAY)))


def _clock_ticks(from_s: float, to_s: float, zone: ZoneInfo, step_s: int) -> list[Tick]:
    ticks: list[Tick] = []
    # Candidates are minutes of real time; a tick stands where the local clock shows a multiple of the
    # step. So an hour that the clocks skip has no tick, and a repeated one has two.
    stride = min(step_s, 15 * _MINUTE) if step_s % (15 * _MINUTE) == 0 else step_s
    at = math.ceil(from_s / stride) * stride
    while at < to_s:
        local = datetime.fromtimestamp(at, zone)
        into_day = local.hour * _HOUR + local.minute * _MINUTE + local.second
        if into_day % step_s == 0:
            ticks.append(_tick(at, local, midnight=into_day == 0))
        at += stride
    return ticks


def _day_ticks(from_s: float, to_s: float, zone: ZoneInfo, days: int) -> list[Tick]:
    ticks: list[Tick] = []
    day = datetime.fromtimestamp(from_s, zone).date()
    while True:
        midnight = datetime(day.year, day.month, day.day, tzinfo=zone)
        at = midnight.astimezone(UTC).timestamp()
        if at >= to_s:
            return ticks
        # Counted from a fixed day, so that ticks stay on their days while the window moves.
        if at >= from_s and day.toordinal() % days == 0:
            label = f"{midnight:%a} {day.day}" if days < 7 else f"{day.day} {midnight:%b}"
            ticks.append(Tick(at, label, day.day == 1 if days >= 7 else day.weekday() == 0))
        day += timedelta(days=1)


def _month_ticks(from_s: float, to_s: float, zone: ZoneInfo, months: int) -> list[Tick]:
    ticks: list[Tick] = []
    start = datetime.fromtimestamp(from_s, zone)
    number = start.year * 12 + start.month - 1
    while True:
        year, month = divmod(number, 12)
        first = datetime(year, month + 1, 1, tzinfo=zone)
        at = first.astimezone(UTC).timestamp()
        if at >= to_s:
            return ticks
        if at >= from_s and number % months == 0:
            ticks.append(Tick(at, f"{first:%Y}" if month == 0 else f"{first:%b}", month == 0))
        number += 1


def _tick(at: float, local: datetime, *, midnight: bool) -> Tick:
    if midnight:
        return Tick(at, f"{local:%a} {local.day}", True)
    return Tick(at, f"{local:%H:%M}", False)
