"""Dots and strips, against the names that Unicode gives the characters."""

import unicodedata
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from tankwatch.screen.chart.dots import Dots
from tankwatch.screen.chart.strips import bar, hours_by_day, share_glyphs

# Unicode numbers the dots 1-2-3-7 down the left column and 4-5-6-8 down the right.
NUMBERS = {
    (0, 0): "1",
    (0, 1): "2",
    (0, 2): "3",
    (0, 3): "7",
    (1, 0): "4",
    (1, 1): "5",
    (1, 2): "6",
    (1, 3): "8",
}


@pytest.mark.parametrize("dot", sorted(NUMBERS))
def test_each_dot_is_the_one_that_unicode_names(dot: tuple[int, int]) -> None:
    field = Dots(1, 1)
    field.set(*dot)
    assert unicodedata.name(field.at(0, 0)) == f"BRAILLE PATTERN DOTS-{NUMBERS[dot]}"


def test_a_column_fills_from_top_to_bottom_and_stays_inside() -> None:
    field = Dots(2, 2)
    field.column(3, 9, -5)
    assert field.rows() == ["  "[:1] + "⢸", " ⢸"]
    field.set(99, 99)
    assert unicodedata.name(field.at(1, 0)) == "BRAILLE PATTERN DOTS-4568"


def test_shares_rise_and_only_always_on_fills_the_cell() -> None:
    shares = np.array([0.0, 0.02, 0.3, 0.6, 0.95, 1.0, np.nan])
    glyphs = share_glyphs(shares)
    assert glyphs[0] == " "
    assert glyphs[-1] == "·"
    assert [unicodedata.name(g) for g in (glyphs[1], glyphs[5])] == ["LOWER ONE EIGHTH BLOCK", "FULL BLOCK"]
    assert list(glyphs[1:6]) == sorted(glyphs[1:6])
    assert "█" not in glyphs[:5]


def test_light_hours_follow_the_local_day_when_the_clocks_change() -> None:
    # Sunday 25 October 2026 has 25 hours in Lisbon (Directive 2000/84/EC).
    zone = ZoneInfo("Europe/Lisbon")
    start = datetime(2026, 10, 23, tzinfo=UTC).timestamp()
    time_s = start + (np.arange(5 * 96, dtype=np.float64) + 0.5) * 900
    always = np.ones(len(time_s))
    now_s = datetime(2026, 10, 26, 12, tzinfo=UTC).timestamp()
    known = time_s < now_s
    days = hours_by_day(time_s[known], always[known], 900.0, zone, now_s, 4)
    assert [day.strftime("%d") for day, _ in days] == ["23", "24", "25", "26"]
    # The 23rd began at 23:00 UTC of the 22nd, an hour before the first reading.
    assert [hours for _, hours in days] == [23.0, 24.0, 25.0, 12.0]


def test_a_day_without_readings_is_unknown_not_dark() -> None:
    now_s = datetime(2026, 10, 26, 12, tzinfo=UTC).timestamp()
    days = hours_by_day(np.array([]), np.array([]), 900.0, ZoneInfo("UTC"), now_s, 2)
    assert [hours for _, hours in days] == [None, None]
    assert bar([None, 0.0, 8.0], 8.0) == "· █"
