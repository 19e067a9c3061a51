"""Times as people say them, and a chart that is read at them."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from screen_fakes import NOW_S, make_app, make_room, settle

from tankwatch.errors import UsageError
from tankwatch.screen.picture import Picture
from tankwatch.screen.tank_page import TankPage
from tankwatch.screen.time_dialog import TimeDialog
from tankwatch.screen.trail import WINDOWS_H, Trail
from tankwatch.screen.when import moment_of

LISBON = ZoneInfo("Europe/Lisbon")
NOW = datetime(2026, 11, 25, 2, 0, tzinfo=UTC).timestamp()


@pytest.mark.parametrize(
    ("said", "meant"),
    [
        ("1:30", "2026-11-25 01:30"),
        ("3:00", "2026-11-24 03:00"),
        ("03.15", "2026-11-24 03:15"),
        (" 3 ", "2026-11-24 03:00"),
        ("yesterday 3:00", "2026-11-24 03:00"),
        ("Today 0:05", "2026-11-25 00:05"),
        ("2026-01-01 3:00", "2026-01-01 03:00"),
        ("2026-1-1T03:00", "2026-01-01 03:00"),
        ("2026-01-01", "2026-01-01 00:00"),
        ("yesterday", "2026-11-24 00:00"),
    ],
)
def test_a_time_is_understood_as_it_is_said(said: str, meant: str) -> None:
    at = datetime.fromtimestamp(moment_of(said, NOW, LISBON), LISBON)
    assert at.strftime("%Y-%m-%d %H:%M") == meant


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ("", "expected a time such as"),
        ("soon", "expected a time such as"),
        ("25:00", "from 0:00 to 23:59"),
        ("3:75", "from 0:00 to 23:59"),
        ("2026-02-30 3:00", "no such day"),
        ("today 3:00", "has not come yet"),
        ("2030-01-01", "has not come yet"),
    ],
)
def test_what_is_no_time_is_told(said: str, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        moment_of(said, NOW, LISBON)


def test_where_clocks_go_back_the_first_of_two_times_is_meant() -> None:
    """Europe/Lisbon, IANA time zone database: 2026-10-25 02:00 WEST becomes 01:00 WET."""
    at = moment_of("2026-10-25 1:30", NOW, LISBON)
    assert datetime.fromtimestamp(at, UTC).strftime("%H:%M") == "00:30"


@given(st.sampled_from(WINDOWS_H), st.lists(st.sampled_from([-1, 1]), max_size=30))
def test_big_steps_stay_in_the_past_and_in_sight(hours: float, steps: list[int]) -> None:
    trail = Trail(hours=hours)
    for step in steps:
        before = trail.cursor_s
        trail = trail.leapt(step, NOW, LISBON)
        assert trail.cursor_s is not None
        start, end = trail.ends(NOW)
        assert start - 1.0 <= trail.cursor_s <= min(end, NOW) + 1.0
        if before is not None and step < 0:
            assert trail.cursor_s < before


def test_an_hour_back_is_a_round_hour_and_three_in_the_morning_is_few_steps_away() -> None:
    now = datetime(2026, 11, 25, 9, 12, tzinfo=UTC).timestamp()
    trail = Trail()
    for _ in range(7):
        trail = trail.leapt(-1, now, LISBON)
    assert trail.cursor_s is not None
    assert datetime.fromtimestamp(trail.cursor_s, LISBON).strftime("%H:%M") == "03:00"


@pytest.mark.asyncio
async def test_the_chart_is_read_at_a_time_that_is_typed() -> None:
    app, _, _ = make_app(make_room(2))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await pilot.press("enter")
        await settle(pilot)
        await pilot.press("t")
        await settle(pilot)
        assert isinstance(app.screen, TimeDialog)
        await pilot.press(*"never", "enter")
        await settle(pilot)
        assert "Expected a time such as" in app.screen.query_one("#time-ways", Picture).text
        await pilot.press(*["backspace"] * 5, *"23:30", "enter")
        await settle(pilot)
        page = app.screen
        assert isinstance(page, TankPage)
        assert page.trail.cursor_s == NOW_S - 2.5 * 3600
        assert "23:30" in page.query_one("#readout", Picture).text
        await pilot.press("b")
        await settle(pilot)
        assert page.trail.cursor_s == NOW_S - 3 * 3600
