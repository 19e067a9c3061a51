"""Ticks of both axes, across the changes of the clocks."""

import itertools
import math
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tankwatch.screen.chart.axis import time_ticks, value_ticks

LISBON = ZoneInfo("Europe/Lisbon")
KATHMANDU = ZoneInfo("Asia/Kathmandu")


def at(year: int, month: int, day: int, hour: int = 0, minute: int = 0) -> float:
    return datetime(year, month, day, hour, minute, tzinfo=UTC).timestamp()


@given(st.floats(-1000, 1000), st.floats(0.01, 1000), st.integers(1, 30))
def test_value_ticks_are_round_inside_and_few(low: float, width: float, most: int) -> None:
    ticks = value_ticks(low, low + width, most)
    assert 1 <= len(ticks) <= most or most < 3
    assert all(low - 1e-6 * width <= t <= low + width + 1e-6 * width for t in ticks)
    steps = {round(b - a, 6) for a, b in itertools.pairwise(ticks)}
    assert len(steps) <= 1
    for step in steps:
        mantissa = step / 10 ** math.floor(math.log10(step) + 1e-9)
        assert any(math.isclose(mantissa, m, rel_tol=1e-3) for m in (1, 2, 5, 10))


@pytest.mark.parametrize(
    ("low", "high", "most"), [(1.0, 1.0, 3), (2.0, 1.0, 3), (0.0, math.nan, 3), (0.0, 1.0, 0)]
)
def test_value_ticks_refuse_nonsense(low: float, high: float, most: int) -> None:
    with pytest.raises(ValueError, match="expected a finite range"):
        value_ticks(low, high, most)


def test_a_plain_day_has_local_hours_and_names_its_midnight() -> None:
    ticks = time_ticks(at(2026, 7, 1, 12), at(2026, 7, 2, 12), LISBON, 9)
    assert [t.label for t in ticks] == [
        "15:00",
        "18:00",
        "21:00",
        "Thu 2",
        "03:00",
        "06:00",
        "09:00",
        "12:00",
    ]
    assert [t.label for t in ticks if t.major] == ["Thu 2"]


def test_the_hour_that_the_clocks_skip_has_no_tick() -> None:
    # Directive 2000/84/EC: summer time begins at 01:00 UTC on the last Sunday of March; in 2026 the 29th.
    ticks = time_ticks(at(2026, 3, 28, 22), at(2026, 3, 29, 6), LISBON, 8)
    assert [t.label for t in ticks] == [
        "22:00",
        "23:00",
        "Sun 29",
        "02:00",
        "03:00",
        "04:00",
        "05:00",
        "06:00",
    ]
    two = next(t for t in ticks if t.label == "02:00")
    assert two.time_s == at(2026, 3, 29, 1)


def test_the_hour_that_the_clocks_repeat_has_two_ticks() -> None:
    # Directive 2000/84/EC: summer time ends at 01:00 UTC on the last Sunday of October; in 2026 the 25th.
    ticks = time_ticks(at(2026, 10, 24, 22), at(2026, 10, 25, 4), LISBON, 6)
    assert [t.label for t in ticks].count("01:00") == 2


def test_days_begin_at_local_midnight_on_both_sides_of_a_change() -> None:
    ticks = time_ticks(at(2026, 10, 23), at(2026, 10, 28, 1), LISBON, 6)
    assert [t.label for t in ticks] == ["Sat 24", "Sun 25", "Mon 26", "Tue 27", "Wed 28"]
    hours = [round((b.time_s - a.time_s) / 3600) for a, b in itertools.pairwise(ticks)]
    assert hours == [24, 25, 24, 24]


def test_a_zone_with_odd_minutes_has_ticks_at_its_own_full_hours() -> None:
    # Nepal is 5 h 45 min ahead of UTC (tz database).
    ticks = time_ticks(at(2026, 5, 1), at(2026, 5, 1, 6), KATHMANDU, 6)
    assert ticks[0].label == "06:00"
    assert ticks[0].time_s == at(2026, 5, 1, 0, 15)


def test_a_year_has_months() -> None:
    ticks = time_ticks(at(2026, 1, 15), at(2027, 1, 15), LISBON, 12)
    assert [t.label for t in ticks][:3] == ["Feb", "Mar", "Apr"]
    assert [t.label for t in ticks if t.major] == ["2027"]


@given(st.floats(1.5e9, 2e9), st.floats(600, 4e8), st.integers(1, 40))
def test_time_ticks_are_ordered_inside_and_not_too_many(start: float, length: float, most: int) -> None:
    ticks = time_ticks(start, start + length, LISBON, most)
    times = [t.time_s for t in ticks]
    assert times == sorted(set(times))
    assert all(start <= t < start + length for t in times)
    assert len(ticks) <= 2 * most + 2


def test_an_empty_stretch_is_refused() -> None:
    with pytest.raises(ValueError, match="expected from_s < to_s"):
        time_ticks(5.0, 5.0, LISBON, 3)
