"""Light hours by the local day: too many, at the wrong time, none. All courses are invented.

How many hours are too many is common practice, no published source; it is a setting of the keeper.
"""

from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from watch_bench import DAY_S, HOUR_S, MIDNIGHT_S, Bench, Course, lamp, tank_config

from tankwatch.alarms.model import Condition, Transition
from tankwatch.reading import Channel
from tankwatch.snapshot import TankSnapshot

ZONE = "Europe/Berlin"
"""A zone with summer time: 2027-03-28 has 23 hours, 2026-10-25 has 25 (tz database)."""


def bench_with(
    timezone: str = "Etc/UTC",
    light_window: tuple[str, str] | None = None,
    light_hours_max: float = 8.0,
) -> Bench:
    tank = tank_config(light_hours_max=light_hours_max, light_window=light_window, probe_interval_s=60.0)
    return Bench((tank,), timezone)


def shine(bench: Bench, hours: float, light: Course, step_s: float = 60.0) -> None:
    bench.live(hours, 25.0, light=light, step_s=step_s)


def picture(bench: Bench) -> TankSnapshot:
    return bench.dog.tanks(bench.now_s)[0]


def hours_after(step: Transition, start_s: float) -> float:
    return (step.time_s - start_s) / HOUR_S


# --- too long ---


def test_overrun_is_told_within_minutes_of_the_limit() -> None:
    bench = bench_with()
    shine(bench, 20.0, lamp(10.0, 19.0))
    (step,) = bench.raised()
    assert step.alarm.condition is Condition.LIGHT_OVERRUN
    assert 18.0 <= hours_after(step, MIDNIGHT_S) <= 18.0 + 5 / 60
    assert bench.ended(Condition.LIGHT_OVERRUN) == [], "today has had too much light, lamp off or not"
    shine(bench, 4.5, lamp(10.0, 19.0))
    assert len(bench.ended(Condition.LIGHT_OVERRUN)) == 1, "over with the day"


def test_exactly_the_limit_is_let_pass() -> None:
    bench = bench_with()
    shine(bench, 48.0, lamp(10.0, 18.0))
    assert bench.names() == []


def test_hours_add_up_over_several_times_a_day() -> None:
    def siesta(time_s: float) -> float:
        hour = time_s / HOUR_S % 24.0
        return float(8.0 <= hour < 13.0 or 16.0 <= hour < 21.0)

    bench = bench_with()
    shine(bench, 24.0, siesta)
    assert bench.names() == ["light-overrun"]
    assert hours_after(bench.raised()[0], MIDNIGHT_S) == pytest.approx(19.0, abs=5 / 60)


def test_the_count_starts_anew_at_midnight(check_row: Callable[[str], Any]) -> None:
    """On at 20:00, off at 06:00: ten hours (row `photo.hours`, interval arithmetic), four and six a day."""
    row = check_row("photo.hours")
    bench = bench_with()
    shine(bench, 20.0, 0.0)
    shine(bench, 4.0 - 1 / 60, 1.0)
    evening = picture(bench).light_hours_today or 0.0
    assert evening == pytest.approx(4.0, abs=0.04)
    shine(bench, 6.0 + 1 / 60, 1.0)
    shine(bench, 1.0, 0.0)
    morning = picture(bench).light_hours_today or 0.0
    assert morning == pytest.approx(6.0, abs=0.04)
    assert evening + morning == pytest.approx(row.expected, abs=0.06)
    assert bench.names() == [], "neither day has had more than eight"


def test_a_local_day_is_counted_and_not_a_day_of_utc() -> None:
    """In Auckland midnight is at noon UTC: four hours before it and seven after it are no overrun."""
    bench = bench_with("Pacific/Auckland")
    shine(bench, 24.0, lamp(8.0, 19.0))
    assert bench.names() == []


@pytest.mark.parametrize(("day", "length_h"), [(date(2027, 3, 28), 23), (date(2026, 10, 25), 25)])
def test_the_days_of_the_clock_change(day: date, length_h: int) -> None:
    """Lit from local midnight to local midnight, 23 or 25 hours are counted, and the next day starts at 0."""
    zone = ZoneInfo(ZONE)
    start_s = datetime(day.year, day.month, day.day, tzinfo=zone).timestamp()
    end_s = (datetime(day.year, day.month, day.day, tzinfo=zone) + timedelta(days=1)).timestamp()
    assert end_s - start_s == length_h * HOUR_S
    bench = bench_with(ZONE, light_hours_max=24.0)
    bench.now_s = start_s - HOUR_S
    shine(bench, 1.0, 0.0)
    shine(bench, length_h - 0.05, 1.0)
    assert picture(bench).light_hours_today == pytest.approx(length_h - 0.05, abs=0.04)
    assert bench.names() == (["light-overrun"] if length_h > 24 else [])
    shine(bench, 1.05, 1.0)
    assert picture(bench).light_hours_today == pytest.approx(1.0, abs=0.04)


# --- at the wrong time ---


def test_light_outside_the_window_is_told_within_ten_minutes() -> None:
    bench = bench_with(light_window=("10:00", "20:00"))
    shine(bench, 21.0, lamp(13.0, 20.0))
    assert bench.names() == []
    shine(bench, 1.0, 1.0)
    (step,) = bench.raised()
    assert step.alarm.condition is Condition.LIGHT_AFTER_HOURS
    assert 0.0 < hours_after(step, MIDNIGHT_S) - 21.0 <= 10 / 60
    shine(bench, 0.2, 0.0)
    assert len(bench.ended(Condition.LIGHT_AFTER_HOURS)) == 1


def test_a_lamp_left_on_at_the_end_of_the_window_is_told() -> None:
    bench = bench_with(light_window=("10:00", "20:00"))
    shine(bench, 21.0, lamp(14.0, 21.0))
    (step,) = bench.raised()
    assert 20.0 < hours_after(step, MIDNIGHT_S) <= 20.0 + 10 / 60


@pytest.mark.parametrize("minutes", [2, 5, 7])
def test_a_lamp_at_feeding_time_is_life(minutes: int) -> None:
    bench = bench_with(light_window=("10:00", "20:00"))
    for _ in range(3):
        shine(bench, 21.5, lamp(13.0, 19.0))
        shine(bench, minutes / 60, 1.0)
        shine(bench, 2.5 - minutes / 60, 0.0)
    assert bench.names() == []


def test_a_window_may_cross_midnight() -> None:
    bench = bench_with(light_window=("18:00", "02:00"))
    shine(bench, 49.0, lamp(18.5, 1.5))
    assert bench.names() == []
    shine(bench, 1.5, 1.0)  # from 01:00 to 02:30
    (step,) = bench.raised()
    assert step.alarm.condition is Condition.LIGHT_AFTER_HOURS
    assert 50.0 < hours_after(step, MIDNIGHT_S) <= 50.0 + 10 / 60


def test_one_evening_of_light_is_one_day_where_the_window_crosses_midnight() -> None:
    """Lit from 18:00 to 04:00, at most eight hours: told at 02:00, though midnight lies between."""
    bench = bench_with(light_window=("18:00", "04:00"), light_hours_max=8.0)
    shine(bench, 12.0, 0.0)
    began_s = bench.now_s
    shine(bench, 20.0, lamp(18.0, 4.0))
    (step,) = bench.raised(Condition.LIGHT_OVERRUN)
    assert 14.0 < hours_after(step, began_s) <= 14.1


def test_a_window_until_midnight() -> None:
    bench = bench_with(light_window=("16:00", "24:00"))
    shine(bench, 24.0, lamp(17.0, 24.0))
    assert bench.names() == []
    shine(bench, 0.5, 1.0)
    assert bench.names() == ["light-after-hours"]


def test_a_window_is_local() -> None:
    """20:00 in Berlin's summer is 18:00 UTC."""
    bench = bench_with(ZONE, light_window=("10:00", "20:00"))
    shine(bench, 18.0, lamp(12.0, 19.0))
    assert bench.names() == []
    shine(bench, 1.0, lamp(12.0, 19.0))
    (step,) = bench.raised()
    assert 18.0 < hours_after(step, MIDNIGHT_S) <= 18.0 + 10 / 60


def test_without_a_window_any_time_is_right() -> None:
    bench = bench_with()
    shine(bench, 48.0, lamp(0.0, 7.0))
    assert bench.names() == []


# --- no light ---


def test_two_days_without_light_are_told_on_the_second() -> None:
    bench = bench_with(light_window=("10:00", "20:00"))
    shine(bench, 72.0, lamp(11.0, 18.0), step_s=120.0)
    shine(bench, 24.0, 0.0, step_s=120.0)
    assert bench.names() == [], "one day may be a power cut or a whim"
    shine(bench, 24.5, 0.0, step_s=120.0)
    (step,) = bench.raised()
    assert step.alarm.condition is Condition.LIGHT_MISSED
    assert 4 * 24.0 + 20.0 <= hours_after(step, MIDNIGHT_S) <= 5 * 24.0 + 0.2
    assert step.alarm.evidence["usual_hours"] == pytest.approx(7.0, abs=0.1)


def test_light_missed_ends_when_the_light_is_back() -> None:
    bench = bench_with()
    shine(bench, 72.0, lamp(11.0, 18.0), step_s=120.0)
    shine(bench, 49.0, 0.0, step_s=120.0)
    assert bench.names() == ["light-missed"]
    shine(bench, 23.0, lamp(11.0, 18.0), step_s=120.0)
    assert len(bench.ended(Condition.LIGHT_MISSED)) == 1


def test_a_tenth_of_the_usual_hours_is_not_missed() -> None:
    bench = bench_with()
    shine(bench, 72.0, lamp(11.0, 18.0), step_s=120.0)
    shine(bench, 96.0, lamp(11.0, 11.9), step_s=120.0)
    assert bench.names() == []


def test_a_tank_without_a_lamp_misses_nothing() -> None:
    bench = bench_with()
    shine(bench, 7 * 24.0, 0.0, step_s=120.0)
    assert bench.names() == []


# --- how the state is told ---


def test_a_state_sent_only_on_change_counts_the_same() -> None:
    bench = bench_with(light_window=("09:00", "21:00"))
    for day in range(3):
        for hour, state in ((10.0, 1.0), (17.0, 0.0)):
            bench.live(MIDNIGHT_S / HOUR_S + 24.0 * day + hour - bench.now_s / HOUR_S, 25.0, step_s=60.0)
            bench.send(Channel.LIGHT, state)
        bench.live(1.0, 25.0, step_s=60.0)
        assert picture(bench).light_hours_today == pytest.approx(7.0, abs=0.05)
    assert bench.names() == []


def test_an_overrun_of_a_state_sent_only_on_change_is_told_without_a_further_word() -> None:
    bench = bench_with()
    bench.live(10.0, 25.0, step_s=60.0)
    bench.send(Channel.LIGHT, 1.0)
    bench.live(8.5, 25.0, step_s=60.0)
    (step,) = bench.raised()
    assert step.alarm.condition is Condition.LIGHT_OVERRUN
    assert hours_after(step, MIDNIGHT_S) == pytest.approx(18.0, abs=5 / 60)


def test_duplicates_and_late_records_do_not_count_twice() -> None:
    bench = bench_with()
    shine(bench, 10.0, 0.0)
    while bench.now_s < MIDNIGHT_S + 16 * HOUR_S:
        bench.live(1 / 60, 25.0, step_s=60.0)
        for late_s in (0.0, 0.0, 300.0, 0.0):
            bench.send(Channel.LIGHT, 1.0, bench.now_s - late_s)
    assert picture(bench).light_hours_today == pytest.approx(6.0, abs=0.05)
    assert bench.names() == []


def test_a_gap_is_not_counted_as_light() -> None:
    """A probe that reports every minute was silent for five hours: nobody knows whether the lamp burnt."""
    bench = bench_with()
    shine(bench, 10.0, 0.0)
    shine(bench, 3.0, 1.0)
    bench.now_s += 5 * HOUR_S
    shine(bench, 1.0, 1.0)
    assert picture(bench).light_hours_today == pytest.approx(4.0, abs=0.3)
    assert Condition.LIGHT_OVERRUN.value not in bench.names()


def test_a_restart_in_mid_day_goes_on_counting() -> None:
    before = bench_with(light_window=("08:00", "22:00"))
    shine(before, 15.0, lamp(10.0, 19.0))
    assert before.names() == []
    after = before.restarted()
    assert picture(after).light_hours_today is None, "nothing heard yet in this run"
    shine(after, 4.0, lamp(10.0, 19.0))
    (step,) = after.raised()
    assert step.alarm.condition is Condition.LIGHT_OVERRUN
    assert hours_after(step, MIDNIGHT_S) == pytest.approx(18.0, abs=5 / 60)


def test_a_restart_keeps_the_days_and_what_was_missed() -> None:
    before = bench_with()
    shine(before, 72.0, lamp(11.0, 18.0), step_s=120.0)
    shine(before, 24.0 + 6.0, 0.0, step_s=120.0)
    after = before.restarted()
    shine(after, 19.0, 0.0, step_s=120.0)
    assert after.names() == ["light-missed"]


def test_a_restart_a_day_later_starts_the_day_at_nothing() -> None:
    before = bench_with()
    shine(before, 17.0, lamp(10.0, 18.0))
    after = before.restarted()
    after.now_s += DAY_S
    shine(after, 4.0, 1.0)
    assert after.names() == []
    assert picture(after).light_hours_today == pytest.approx(4.0, abs=0.1)
