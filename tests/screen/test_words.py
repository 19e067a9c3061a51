"""Numbers in words: coarse, honest, and never more time than there is."""

from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tankwatch.screen import words

NOW_S = 1_795_572_000.0  # 2026-11-25 02:00 UTC


@pytest.mark.parametrize(
    ("minutes", "text"),
    [(-3, "0 min"), (float("nan"), "0 min"), (0.4, "under 1 min"), (1, "1 min"), (38.9, "38 min"),
     (60, "1 h"), (84, "1 h 20 min"), (299, "4 h 55 min"), (300, "5 h"),
     (47 * 60, "47 h"), (49 * 60, "2 days")],
)  # fmt: skip
def test_a_length_of_time(minutes: float, text: str) -> None:
    assert words.span(minutes) == text


@given(st.floats(1, 1e5))
def test_a_length_of_time_is_never_longer_than_it_is(minutes: float) -> None:
    parts = words.span(minutes).split()
    units = {"min": 1, "h": 60, "days": 1440}
    said = sum(float(n) * units[u] for n, u in zip(parts[::2], parts[1::2], strict=True))
    assert said <= minutes
    assert minutes - said < 1440


def test_an_age_stays_the_same_while_it_is_fresh() -> None:
    assert {words.age(s) for s in range(60)} == {"just now"}
    assert words.age(1500) == "25 min ago"
    assert words.age(None) == "never"


def test_temperatures_and_their_signs() -> None:
    assert words.degrees(24.81, 2) == "24.81 °C"
    assert words.degrees(-0.04) == "0.0 °C"
    assert words.degrees(-1.26) == "−1.3 °C"
    assert words.degrees(None) == words.degrees(float("nan")) == "–"
    assert [words.difference(d) for d in (0.44, -1.4, 0.0, -0.01)] == ["+0.4", "−1.4", "0.0", "0.0"]


def test_shares_hours_sizes_and_counts() -> None:
    assert [words.percent(s) for s in (0.314, 1.0, None)] == ["31 %", "100 %", "–"]
    assert [words.hours(h) for h in (5.5, 8.0, 0.25, None)] == ["5 h 30 min", "8 h", "15 min", "–"]
    assert [words.size(b) for b in (12, 4_200_000, 5_000_000_000)] == ["12 B", "4.2 MB", "5.0 GB"]
    assert words.how_many(1, "tank") == "1 tank"
    assert words.how_many(120394, "reading") == "120 394 readings"


def test_times_are_local_and_name_another_day() -> None:
    # British Columbia is 8 h behind UTC in November (tz database).
    zone = ZoneInfo("America/Vancouver")
    assert words.clock(NOW_S, zone) == "Tue 24 Nov 18:00"
    assert words.clock(NOW_S, zone, NOW_S + 3600) == "18:00"
    assert words.clock(NOW_S, zone, NOW_S + 86_400) == "Tue 24 Nov 18:00"


@pytest.mark.parametrize(
    ("subject", "name"),
    [
        (None, "Whole room"),
        ("broker", "Source broker"),
        ("room back-room", "Room back-room"),
        ("[publish]", "Link to the centre"),
        ("[centre]", "Broker of the rooms"),
    ],
)
def test_what_an_alarm_of_no_tank_is_about(subject: str | None, name: str) -> None:
    assert words.of_what(subject) == name
