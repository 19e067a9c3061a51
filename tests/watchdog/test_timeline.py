"""One tank's time runs forward, whatever its probe's clock does. The stamps are invented."""

import itertools
import math

from hypothesis import given
from hypothesis import strategies as st

from tankwatch.watchdog.timeline import Timeline

STEP_S = 10.0


def accepted(timeline: Timeline, stamps: list[float]) -> list[float | None]:
    return [timeline.accept(stamp, STEP_S) for stamp in stamps]


def steady(start_s: float, count: int) -> list[float]:
    return [start_s + STEP_S * i for i in range(count)]


def test_steady_stamps_are_times() -> None:
    assert accepted(Timeline(), steady(1000.0, 5)) == steady(1000.0, 5)


def test_a_duplicate_is_left_out() -> None:
    assert accepted(Timeline(), [1000.0, 1010.0, 1010.0, 1010.0, 1020.0]) == [
        1000.0,
        1010.0,
        None,
        None,
        1020.0,
    ]


def test_a_late_reading_is_left_out_and_changes_nothing() -> None:
    timeline = Timeline()
    assert accepted(timeline, [1000.0, 1010.0, 1030.0, 1020.0, 1040.0]) == [
        1000.0,
        1010.0,
        1030.0,
        None,
        1040.0,
    ]
    assert timeline.shift_s == 0.0


def test_single_late_readings_never_add_up_to_a_clock_put_back() -> None:
    timeline = Timeline()
    for hour in range(30):
        accepted(timeline, [*steady(1000.0 + 3600.0 * hour, 20), 1000.0 + 3600.0 * (hour - 1)])
    assert timeline.shift_s == 0.0


def test_a_clock_put_back_by_an_hour_goes_on_behind_the_old_stamps() -> None:
    timeline = Timeline()
    accepted(timeline, steady(10_000.0, 100))
    newest_s = timeline.last_s
    after = accepted(timeline, steady(10_000.0 + 1000.0 - 3600.0, 20))
    kept = [time_s for time_s in after if time_s is not None]
    assert after[:5] == [None] * 5, "a few late readings are not believed yet"
    assert len(kept) == 15
    assert kept[0] == newest_s + STEP_S, "no hole appears where the clock went back"
    assert [b - a for a, b in itertools.pairwise(kept)] == [STEP_S] * 14


def test_a_clock_put_back_by_less_than_two_minutes_is_waited_for() -> None:
    timeline = Timeline()
    accepted(timeline, steady(10_000.0, 10))
    after = accepted(timeline, steady(10_000.0 + 100.0 - 60.0, 12))
    assert after[:6] == [None] * 6
    assert after[6:] == steady(10_100.0, 6)
    assert timeline.shift_s == 0.0


def test_a_backlog_is_no_clock_put_back() -> None:
    """A probe that was cut off sends its old readings after the first live ones, then goes on live."""
    timeline = Timeline()
    accepted(timeline, steady(10_000.0, 20))
    live_s = 10_000.0 + 3600.0
    assert timeline.accept(live_s, STEP_S) == live_s
    accepted(timeline, steady(10_200.0, 60))
    back = accepted(timeline, steady(live_s + 700.0, 10))
    assert timeline.shift_s == 0.0
    assert back == steady(live_s + 700.0, 10)


def test_a_jump_forward_is_a_gap_and_no_shift() -> None:
    timeline = Timeline()
    accepted(timeline, steady(10_000.0, 10))
    assert accepted(timeline, steady(10_000.0 + 3700.0, 3)) == steady(13_700.0, 3)
    assert timeline.shift_s == 0.0


def test_a_clock_that_starts_in_1970_and_finds_a_time_server_runs_forward_both_ways() -> None:
    timeline = Timeline()
    accepted(timeline, steady(0.0, 30))
    right = accepted(timeline, steady(1_790_000_000.0, 30))
    assert None not in right
    again = [t for t in accepted(timeline, steady(0.0, 30)) if t is not None]
    assert len(again) == 25
    assert again[0] > 1_790_000_000.0


@given(st.lists(st.floats(0, 1e6, allow_nan=False), max_size=200), st.sampled_from([2.0, 10.0, 60.0]))
def test_whatever_the_stamps_are_times_only_grow(stamps: list[float], interval_s: float) -> None:
    timeline = Timeline()
    last_s = -math.inf
    for stamp in stamps:
        time_s = timeline.accept(stamp, interval_s)
        if time_s is not None:
            assert time_s > last_s
            last_s = time_s
    assert timeline.last_s == last_s
