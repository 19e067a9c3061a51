"""Where the thermostat switches, read from its state or recovered from the water alone. Data is invented."""

import itertools
import json
import math
import random
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tankwatch.watchdog.cycles import Cycles

Minute = tuple[float, float, bool]
"""Time in seconds, temperature in °C, heater on."""


def zigzag(
    cycles: float, low_c: float = 24.7, high_c: float = 25.3, up_s: float = 2400.0, down_s: float = 3600.0
) -> Iterator[Minute]:
    """Yield the minutes of an ideal thermostat: straight up, straight down, starting at the bottom."""
    period_s = up_s + down_s
    for minute in range(int(cycles * period_s / 60.0)):
        phase_s = (minute * 60.0) % period_s
        if phase_s < up_s:
            yield minute * 60.0, low_c + (high_c - low_c) * phase_s / up_s, True
        else:
            yield minute * 60.0, high_c - (high_c - low_c) * (phase_s - up_s) / down_s, False


def measured(minutes: Iterator[Minute], cycles: Cycles | None = None) -> Cycles:
    """Let the cycles be read from the heater's state."""
    known = cycles or Cycles()
    was_on, on_s = None, 0.0
    for time_s, water_c, on in minutes:
        if on is not was_on:
            known.switched(on, time_s, water_c, on_s)
            was_on = on
        known.follow(time_s, water_c)
        on_s += 60.0 * on
    return known


def recovered(minutes: Iterator[Minute], noise_c: float) -> tuple[Cycles, list[tuple[bool, float, float]]]:
    """Let the cycles be recovered; return them and the turning points (heating, since, extreme)."""
    known = Cycles()
    known.recovered = True
    turns = []
    for time_s, water_c, _ in minutes:
        turn = known.recover(time_s, water_c, noise_c)
        if turn is None:
            known.follow(time_s, water_c)
            continue
        heating, since_s, _ = turn
        turns.append(turn)
        # The heater's time up to `since_s`, as the turns so far tell it.
        on_s, on_since_s = 0.0, None
        for was_heating, at_s, _ in turns:
            if was_heating:
                on_since_s = at_s
            elif on_since_s is not None:
                on_s += at_s - on_since_s
        known.switched(heating, since_s, water_c, on_s)
        known.follow(time_s, water_c)
    return known, turns


def test_nothing_is_known_at_first() -> None:
    cycles = Cycles()
    assert not cycles.is_known
    assert cycles.top_c is None
    assert cycles.duty is None
    assert cycles.width_k == 0.5, "a usual hysteresis, until it is known"


def test_measured_cycles_give_turns_period_and_duty() -> None:
    cycles = measured(zigzag(6))
    assert cycles.is_known
    assert cycles.top_c == pytest.approx(25.3, abs=0.01)
    assert cycles.bottom_c == pytest.approx(24.7, abs=0.01)
    assert cycles.centre_c == pytest.approx(25.0, abs=0.01)
    assert cycles.period_s == pytest.approx(6000.0, abs=60.0)
    assert cycles.duty == pytest.approx(0.4, abs=0.01)
    assert cycles.seen == 5


def test_the_published_cycle_times_come_back_as_period_and_duty(check_row: Callable[[str], Any]) -> None:
    """100 L, hysteresis 0.5 K, 100 W against 40 W of loss, by the energy balance (rows `cycle`, `duty`)."""
    on_s, off_s, period_s = check_row("cycle").expected
    cycles = measured(zigzag(8, 24.75, 25.25, up_s=on_s, down_s=off_s))
    assert cycles.period_s == pytest.approx(period_s, abs=60.0)
    assert cycles.duty == pytest.approx(check_row("duty").expected, abs=0.01)


def test_a_cycle_that_was_disturbed_teaches_nothing() -> None:
    cycles = measured(zigzag(6))
    seen, tops = cycles.seen, list(cycles.peaks)
    cycles.disturb()
    cycles.switched(True, 40_000.0, 20.0, 0.0)  # after cold water the heater came on far too low
    cycles.follow(40_060.0, 20.0)
    assert cycles.seen == seen
    assert cycles.peaks == tops
    assert cycles.top_c == pytest.approx(25.3, abs=0.01)


def test_a_late_rise_is_the_rooms_and_not_the_cycles() -> None:
    """Hours after the heater stopped a warm room lifts the water: that is no overshoot of the thermostat."""
    cycles = measured(zigzag(6))
    begin_s = 6 * 6000.0
    cycles.switched(True, begin_s, 24.7, 0.0)
    cycles.switched(False, begin_s + 2400.0, 25.3, 0.0)
    for minute in range(600):
        cycles.follow(begin_s + 2400.0 + 60.0 * minute, 25.3 + 0.002 * minute)
    cycles.switched(True, begin_s + 40_000.0, 24.7, 0.0)
    assert max(cycles.peaks) < 25.45


def test_flutter_teaches_nothing() -> None:
    cycles = measured(zigzag(6))
    seen, period_s = cycles.seen, cycles.period_s
    for i in range(40):
        cycles.switched(bool(i % 2), 36_000.0 + 20.0 * i, 24.7, 0.0)
    assert cycles.seen <= seen + 1
    assert cycles.period_s == period_s


def test_a_relay_that_bounces_within_one_stamp_is_no_cycle() -> None:
    cycles = Cycles()
    for on in (True, False, True, False, True):
        cycles.switched(on, 1000.0, 24.7, 0.0)
    assert cycles.seen == 0
    assert cycles.period_s is None


def test_a_new_way_of_cycling_is_believed_in_the_end() -> None:
    """After hundreds of short cycles the keeper has changed the thermostat: this is how it cycles now."""
    cycles = measured(zigzag(6))
    later = ((36_000.0 + t, c, on) for t, c, on in zigzag(600, 24.9, 25.1, up_s=240.0, down_s=360.0))
    measured(later, cycles)
    assert cycles.period_s == pytest.approx(600.0, abs=60.0)


def test_the_baseline_holds_still_while_the_centre_creeps() -> None:
    def creeping() -> Iterator[Minute]:
        for time_s, water_c, on in zigzag(60):
            yield time_s, water_c + 0.8 * max(0.0, time_s - 100_000.0) / 260_000.0, on

    cycles = measured(creeping())
    assert cycles.baseline_c == pytest.approx(25.0, abs=0.08)
    assert cycles.centre_c is not None
    assert cycles.centre_c > 25.6


def test_recovered_turns_lie_where_the_heater_switched() -> None:
    cycles, turns = recovered(zigzag(8), noise_c=0.01)
    assert cycles.is_known
    ups = [since_s for heating, since_s, _ in turns if heating]
    assert [since_s % 6000.0 for since_s in ups] == [0.0] * len(ups)
    assert cycles.period_s == pytest.approx(6000.0, abs=60.0)
    assert cycles.duty == pytest.approx(0.4, abs=0.02)
    assert cycles.top_c == pytest.approx(25.3, abs=0.02)
    assert cycles.bottom_c == pytest.approx(24.7, abs=0.02)


@given(
    width_k=st.floats(0.3, 1.0),
    up_s=st.floats(1200.0, 7200.0),
    down_s=st.floats(1200.0, 10_800.0),
    noise_c=st.floats(0.0, 0.015),
    seed=st.integers(0, 10_000),
)
def test_recovered_cycles_are_the_true_ones(
    width_k: float, up_s: float, down_s: float, noise_c: float, seed: int
) -> None:
    """Any thermostat of usual hysteresis is recovered through a probe's noise, without extra turns."""
    rng = random.Random(seed)
    ideal = list(zigzag(8, 25.0 - width_k / 2, 25.0 + width_k / 2, up_s, down_s))
    noisy = ((time_s, water_c + rng.gauss(0.0, noise_c), on) for time_s, water_c, on in ideal)
    cycles, turns = recovered(noisy, noise_c)
    period_s = up_s + down_s
    assert all(a[0] is not b[0] for a, b in itertools.pairwise(turns)), "up and down take turns"
    assert 12 <= len(turns) <= 16, "eight cycles, the first and the last cut off"
    # Noise moves the extreme by as long as the water needs to cross twice its spread of three sigma.
    slack_s = 120.0 + 6.0 * noise_c / width_k * max(up_s, down_s)
    for heating, since_s, _ in turns:
        true_s = 0.0 if heating else up_s
        off_s = (since_s - true_s + period_s / 2) % period_s - period_s / 2
        assert abs(off_s) <= slack_s
    assert cycles.period_s == pytest.approx(period_s, abs=120.0 + 2 * slack_s)
    assert cycles.duty == pytest.approx(up_s / period_s, abs=2.5 * slack_s / period_s)


def test_tide_and_weather_are_no_thermostat() -> None:
    """Water that rises and falls by the sun turns at other temperatures every time."""
    minutes = (
        (60.0 * i, 12.0 + 0.8 * math.sin(i / 118.0) + 2.0 * math.sin(i / 997.0), False) for i in range(10_000)
    )
    cycles, turns = recovered(minutes, noise_c=0.01)
    assert len(turns) > 10
    assert not cycles.is_known


def test_noise_alone_gives_no_turns() -> None:
    rng = random.Random(4)
    minutes = ((60.0 * i, 25.0 + rng.gauss(0.0, 0.02), False) for i in range(2000))
    cycles, turns = recovered(minutes, noise_c=0.02)
    assert turns == []
    assert not cycles.is_known


@pytest.mark.parametrize("is_recovered", [False, True])
def test_what_was_learned_survives_a_restart(is_recovered: bool) -> None:
    old = recovered(zigzag(20), 0.01)[0] if is_recovered else measured(zigzag(20))
    new = Cycles()
    new.recall(json.loads(json.dumps(old.remember())))
    for name in ("top_c", "bottom_c", "centre_c", "baseline_c", "period_s", "duty", "seen", "recovered"):
        assert getattr(new, name) == getattr(old, name), name
    assert new.is_known
    assert new.width_k == old.width_k


def test_an_empty_memory_is_no_memory() -> None:
    cycles = Cycles()
    cycles.recall({})
    assert not cycles.is_known
    assert cycles.period_s is None


def test_a_time_nobody_saw_is_left_out() -> None:
    cycles = measured(zigzag(6.2))
    assert cycles.heating_since_s == 36_000.0
    cycles.lose_sight(50_000.0)
    assert cycles.heating_since_s == 50_000.0
    assert cycles.started_s is None
