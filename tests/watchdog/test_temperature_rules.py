"""What the fish feel: limits with deadband and delay, the change over one hour, the range over 24 hours.

All courses are invented. The on-delay of a minute is EEMUA 191's starting value for temperatures (from
memory); what counts as a rate and as a swing is common practice, no published source.
"""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from watch_bench import DAY_S, HOUR_S, MIDNIGHT_S, Bench, Course, tank_config, wave

from tankwatch.alarms.model import Condition, Priority
from tankwatch.reading import Channel


def bench_at(hours: float = 1.0, water: Course = 25.0, max_rate_c_per_h: float = 20.0) -> Bench:
    bench = Bench((tank_config(max_rate_c_per_h=max_rate_c_per_h, max_daily_swing_c=20.0),))
    bench.live(hours, water)
    return bench


def ramp(from_s: float, from_c: float, k_per_h: float, until_c: float | None = None) -> Course:
    """A straight line that starts at `from_s` and stops at `until_c`."""

    def course(time_s: float) -> float:
        value = from_c + k_per_h * max(0.0, time_s - from_s) / HOUR_S
        if until_c is None:
            return value
        return max(value, until_c) if k_per_h < 0 else min(value, until_c)

    return course


# --- limits ---


@pytest.mark.parametrize(
    ("water_c", "told"),
    [
        (23.0, None),
        (22.98, Condition.TOO_COLD),
        (27.5, None),
        (27.52, Condition.TOO_WARM),
    ],
)
def test_the_limit_itself_is_still_within(water_c: float, told: Condition | None) -> None:
    bench = bench_at(1.0, 25.0)
    bench.live(2.0, ramp(bench.now_s, 25.0, 4.0 if water_c > 25.0 else -4.0, water_c))
    assert bench.names() == ([] if told is None else [told.value])


def test_beyond_a_limit_is_told_after_a_minute_and_within_four() -> None:
    bench = bench_at(1.0, 23.5)
    bench.live(0.5, ramp(bench.now_s, 23.5, -4.0, 23.0))
    began_s = bench.now_s
    bench.live(0.2, 22.9)
    (step,) = bench.raised()
    assert step.alarm.condition is Condition.TOO_COLD
    assert 60.0 <= step.time_s - began_s <= 240.0
    assert step.alarm.value == pytest.approx(22.9, abs=0.1)
    assert step.alarm.evidence["limit_c"] == 23.0


def test_less_than_a_minute_beyond_a_limit_is_let_pass() -> None:
    bench = bench_at(1.0, 23.2)
    bench.live(1 / 120, 22.4)  # one reading: the three minutes' mean stays within
    bench.live(1.0, 23.2)
    assert bench.names() == []


def test_a_limit_returns_only_clear_of_its_deadband() -> None:
    """0.2 K, which is 1 % of the usual range (EEMUA 191's starting value for a temperature)."""
    bench = bench_at(1.0, 23.2)
    bench.live(0.5, 22.8)
    bench.live(1.0, 23.15)
    assert bench.ended(Condition.TOO_COLD) == []
    bench.live(0.5, 23.25)
    assert len(bench.ended(Condition.TOO_COLD)) == 1
    assert bench.names() == ["too-cold"], "no chattering on the way"


def test_a_kelvin_beyond_is_critical() -> None:
    bench = bench_at(1.0, 23.2)
    bench.live(0.5, ramp(bench.now_s, 23.2, -3.0, 22.5))
    assert bench.raised()[0].alarm.priority is Priority.HIGH
    bench.live(0.5, ramp(bench.now_s, 22.5, -3.0, 21.9))
    standing = bench.dog.book.active("t01", Condition.TOO_COLD)
    assert standing is not None
    assert standing.priority is Priority.CRITICAL


def test_limits_need_nothing_learned() -> None:
    bench = Bench((tank_config(heater_w=None),))
    bench.live(0.2, 20.0)
    assert bench.names() == ["too-cold"]


@pytest.mark.parametrize("mark", ["work", "water-out"])
def test_limits_and_fast_cooling_are_told_in_service(mark: str) -> None:
    """Service holds back what the work explains, never what the fish feel."""
    bench = bench_at(2.0, 25.0, max_rate_c_per_h=1.5)
    bench.send(Channel.SERVICE, mark)
    began_s = bench.now_s
    bench.live(1.0, ramp(began_s, 25.0, -6.0, 22.0))
    assert {"too-cold", "cooling-fast"} <= set(bench.names())
    fast = bench.raised(Condition.COOLING_FAST)[0]
    assert fast.time_s - began_s < 1500.0, "1.5 K are lost after a quarter of an hour"


# --- the change over one hour ---


@pytest.mark.parametrize(("k_per_h", "name"), [(-1.0, "cooling-fast"), (1.0, "warming-fast")])
def test_a_rate_is_the_change_over_exactly_an_hour(k_per_h: float, name: str) -> None:
    """A ramp of 2 K/h passes a limit of 1.5 K after three quarters of an hour, not after minutes."""
    bench = bench_at(3.0, 25.0, max_rate_c_per_h=1.5)
    began_s = bench.now_s
    bench.live(1.0, ramp(began_s, 25.0, 2.0 * k_per_h))
    (step,) = bench.raised()
    assert step.alarm.condition.value == name
    assert 45.0 * 60 <= step.time_s - began_s <= 52.0 * 60
    assert abs(step.alarm.value or 0.0) == pytest.approx(1.5, abs=0.1)


@pytest.mark.parametrize("k_per_h", [-1.45, 1.45])
def test_just_below_the_largest_rate_is_let_pass(k_per_h: float) -> None:
    bench = bench_at(2.0, 25.0, max_rate_c_per_h=1.5)
    bench.live(1.3, ramp(bench.now_s, 25.0, k_per_h))
    assert bench.names() == []


@pytest.mark.parametrize("k_per_h", [-1.6, 1.6])
def test_just_above_the_largest_rate_is_told(k_per_h: float) -> None:
    bench = bench_at(2.0, 25.0, max_rate_c_per_h=1.5)
    bench.live(1.2, ramp(bench.now_s, 25.0, k_per_h))
    assert len(bench.names()) == 1


def test_a_step_of_the_same_size_counts_as_much() -> None:
    """1.7 K lost within twenty minutes are 1.7 K in the hour: told when they are lost."""
    bench = bench_at(2.0, 25.0, max_rate_c_per_h=1.5)
    began_s = bench.now_s
    bench.live(0.5, ramp(began_s, 25.0, -5.0, 23.3))
    fast = bench.raised(Condition.COOLING_FAST)
    assert len(fast) == 1
    assert fast[0].time_s - began_s < 1800.0


def test_ripple_is_no_fault() -> None:
    """Half a kelvin up and down within ten minutes is 6 K/h at its steepest and nothing over an hour."""
    bench = bench_at(6.0, wave(25.0, 0.25, 600.0), max_rate_c_per_h=1.0)
    assert bench.names() == []


def test_an_end_of_the_fast_change_is_told() -> None:
    bench = bench_at(2.0, 25.0, max_rate_c_per_h=1.5)
    bench.live(3.0, ramp(bench.now_s, 25.0, -3.0, 23.3))
    assert bench.names() == ["cooling-fast"]
    assert len(bench.ended(Condition.COOLING_FAST)) == 1


def test_the_first_hour_is_watched_as_well() -> None:
    bench = Bench((tank_config(max_rate_c_per_h=1.5),))
    bench.live(0.9, ramp(MIDNIGHT_S, 25.5, -2.2))
    assert bench.names()[:1] == ["cooling-fast"]


# --- the range over 24 hours ---


def test_a_swing_is_the_range_of_any_24_hours() -> None:
    bench = Bench((tank_config(max_daily_swing_c=2.0, low_c=20.0, high_c=30.0),))
    bench.live(30.0, wave(25.0, 1.3, DAY_S), step_s=60.0)
    assert bench.names() == ["wide-swing"]
    alarm = bench.raised()[0].alarm
    assert alarm.value == pytest.approx(2.1, abs=0.15)
    assert alarm.evidence["low_c"] < 25.0 < alarm.evidence["high_c"]


def test_a_swing_within_the_range_is_let_pass() -> None:
    bench = Bench((tank_config(max_daily_swing_c=2.0, low_c=20.0, high_c=30.0),))
    bench.live(50.0, wave(25.0, 0.95, DAY_S), step_s=60.0)
    assert bench.names() == []


def test_a_slow_change_over_days_is_no_swing() -> None:
    """1 K a day for three days: never more than that in any 24 hours."""
    bench = Bench((tank_config(max_daily_swing_c=1.5, low_c=20.0, high_c=30.0),))
    bench.live(72.0, ramp(MIDNIGHT_S, 26.5, -1.0 / 24.0), step_s=60.0)
    assert bench.names() == []


def test_a_swing_ends_a_day_after_it_was() -> None:
    bench = Bench((tank_config(max_daily_swing_c=1.5, low_c=20.0, high_c=30.0),))
    bench.live(6.0, 25.0, step_s=60.0)
    bench.live(3.0, ramp(bench.now_s, 25.0, -0.8), step_s=60.0)
    bench.live(27.0, 22.6, step_s=60.0)
    assert bench.names() == ["wide-swing"]
    (ended,) = bench.ended(Condition.WIDE_SWING)
    assert 20 * HOUR_S < ended.time_s - bench.raised()[0].time_s < 26 * HOUR_S


def test_work_explains_a_swing() -> None:
    bench = Bench((tank_config(max_daily_swing_c=1.0, low_c=20.0, high_c=30.0, max_rate_c_per_h=5.0),))
    bench.live(6.0, 25.0, step_s=60.0)
    bench.send(Channel.SERVICE, "water-out")
    bench.live(0.5, ramp(bench.now_s, 25.0, -4.0, 23.5), step_s=60.0)
    bench.send(Channel.SERVICE, "end")
    bench.live(10.0, ramp(bench.now_s, 23.5, 0.5, 25.0), step_s=60.0)
    assert bench.names() == []


def test_the_swing_is_kept_over_a_restart() -> None:
    config = tank_config(max_daily_swing_c=2.0, low_c=20.0, high_c=30.0)
    before = Bench((config,))
    before.live(8.0, ramp(MIDNIGHT_S, 26.2, -0.2), step_s=60.0)
    assert before.names() == []
    after = before.restarted()
    after.live(6.0, ramp(MIDNIGHT_S, 26.2, -0.2), step_s=60.0)
    assert after.names() == ["wide-swing"], "1.6 K before the restart, 0.6 K after it"


@settings(max_examples=15)
@given(st.floats(23.3, 27.2), st.floats(0.0, 0.2), st.floats(120.0, 7200.0))
def test_no_steady_water_within_the_band_is_felt(mean_c: float, half_k: float, period_s: float) -> None:
    bench = Bench()
    bench.live(3.0, wave(mean_c, half_k, period_s), step_s=60.0)
    # A thermostat that cycles far from its setpoint may be told; the fish feel nothing of it.
    assert set(bench.names()) <= {"thermostat-drift"}
