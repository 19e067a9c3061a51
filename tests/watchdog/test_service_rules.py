"""Hands in the tank: what the work explains is held back, what the fish feel never is. Courses are invented.

That a heater which runs dry may crack, and that water is unplugged before its level goes down, are common
practice, no published source.
"""

import pytest
from watch_bench import HOUR_S, Bench, Thermostat, tank_config

from tankwatch.alarms.model import Condition, Priority
from tankwatch.alarms.service import EXPLAINED_BY_WORK
from tankwatch.reading import Channel


def running(hours: float = 8.0) -> tuple[Bench, Thermostat]:
    bench = Bench((tank_config(),))
    tank = Thermostat(bench, heating_k_per_h=1.05)
    tank.live(hours)
    assert bench.names() == []
    return bench, tank


# --- heater out of the water ---


def test_a_heater_on_while_the_water_is_low_is_told_by_the_same_reading() -> None:
    bench, _ = running()
    bench.send(Channel.HEATER, 0.0)
    bench.send(Channel.SERVICE, "water-out")
    assert bench.names() == []
    bench.now_s += 10.0
    bench.send(Channel.HEATER, 1.0)
    (step,) = bench.raised()
    assert step.alarm.condition is Condition.HEATER_EXPOSED
    assert step.alarm.priority is Priority.CRITICAL
    assert step.time_s == bench.now_s
    assert "unplug" in step.alarm.message.lower()


def test_a_heater_that_was_on_already_is_told_within_one_reading() -> None:
    bench, _ = running()
    bench.send(Channel.HEATER, 1.0)
    bench.send(Channel.SERVICE, "water-out")
    bench.now_s += 30.0
    bench.send(Channel.HEATER, 1.0)
    assert bench.names() == ["heater-exposed"]


def test_power_drawn_counts_as_a_heater_that_is_on() -> None:
    bench = Bench()
    bench.live(1.0, 25.0)
    bench.send(Channel.POWER, 0.4)
    bench.send(Channel.SERVICE, "water-out")
    bench.now_s += 10.0
    bench.send(Channel.POWER, 148.0)
    assert bench.names() == ["heater-exposed"]


@pytest.mark.parametrize("ending", ["heater off", "work over"])
def test_it_ends_with_the_heater_or_with_the_work(ending: str) -> None:
    bench, _ = running()
    bench.send(Channel.SERVICE, "water-out")
    bench.send(Channel.HEATER, 1.0)
    bench.now_s += 30.0
    if ending == "heater off":
        bench.send(Channel.HEATER, 0.0)
    else:
        bench.send(Channel.SERVICE, "end")
    assert len(bench.ended(Condition.HEATER_EXPOSED)) == 1


@pytest.mark.parametrize("mark", ["work", "end", None])
def test_it_exists_only_with_the_water_low(mark: str | None) -> None:
    bench, tank = running()
    if mark is not None:
        bench.send(Channel.SERVICE, mark)
    tank.live(3.0)
    assert "heater-exposed" not in bench.names()


def test_it_is_told_again_at_the_next_work() -> None:
    bench, tank = running()
    for _ in range(2):
        bench.send(Channel.SERVICE, "water-out")
        bench.now_s += 30.0
        bench.send(Channel.HEATER, 1.0)
        bench.send(Channel.HEATER, 0.0)
        bench.send(Channel.SERVICE, "end")
        tank.live(3.0)
    assert bench.names() == ["heater-exposed"] * 2


# --- what the work explains ---


def test_a_change_of_water_within_reason_is_told_of_nothing() -> None:
    """A fifth of the water out and in again, 1 K colder afterwards; the heater is unplugged."""
    bench, tank = running()
    for _ in range(3):
        bench.now_s += 30.0
        bench.send(Channel.HEATER, 0.0)  # unplugged first
        bench.send(Channel.SERVICE, "water-out")
        tank.live(0.25, held=False)
        tank.water_c -= 0.5
        tank.live(0.25, held=False)
        tank.water_c -= 0.5
        tank.live(0.1, held=False)
        bench.send(Channel.SERVICE, "end")
        tank.live(20.0)
    assert bench.names() == []


def test_learning_is_not_fooled_by_work() -> None:
    bench, tank = running(30.0)
    before = bench.dog.tank("t01")
    top_c, bottom_c, blocks = before.cycles.top_c, before.cycles.bottom_c, len(before.model.blocks)
    bench.send(Channel.SERVICE, "water-out")
    tank.water_c -= 1.2
    tank.live(0.8, held=False)
    assert len(before.model.blocks) <= blocks
    bench.send(Channel.SERVICE, "end")
    tank.live(12.0)
    assert before.cycles.top_c == pytest.approx(top_c, abs=0.05)
    assert before.cycles.bottom_c == pytest.approx(bottom_c, abs=0.05)


def test_the_heater_bringing_the_water_back_is_no_fast_warming() -> None:
    bench = Bench((tank_config(max_rate_c_per_h=1.0, heater_w=300.0),))
    tank = Thermostat(bench, heating_k_per_h=2.1)
    tank.live(8.0)
    bench.send(Channel.SERVICE, "water-out")
    tank.water_c -= 0.9
    tank.live(0.3, held=False)
    bench.send(Channel.SERVICE, "end")
    tank.live(6.0)
    assert "warming-fast" not in bench.names()


def test_a_heater_unplugged_for_the_work_is_no_fault_until_it_is_forgotten() -> None:
    """Held back while hands are in the tank; told when the plug was never put back."""
    bench, tank = running(10.0)
    bench.send(Channel.SERVICE, "work")
    tank.live(1.0, held=False)
    bench.send(Channel.SERVICE, "end")
    assert bench.names() == []
    ended_s = bench.now_s
    tank.live(4.0, held=False)
    assert "heater-no-heat" in bench.names()
    told = bench.raised(Condition.HEATER_NO_HEAT)[0]
    assert told.time_s - ended_s >= 600.0, "not while the water settles"
    assert told.alarm.value is not None
    assert told.alarm.value > tank.low_c - 1.0, "before it is 1 K below its usual bottom"


def test_work_that_was_never_ended_does_not_blind_the_watch() -> None:
    """A forgotten mark: after three hours silence is told again."""
    bench, tank = running()
    bench.send(Channel.SERVICE, "work")
    tank.live(3.5)
    bench.wait(1800.0)
    assert "probe-silent" in bench.names()


# --- what is never held back ---


def test_what_work_explains_holds_nothing_that_the_fish_feel() -> None:
    never = {
        Condition.TOO_COLD,
        Condition.TOO_WARM,
        Condition.COOLING_FAST,
        Condition.HEATER_EXPOSED,
        Condition.HEATER_STUCK_ON,
        Condition.POWER_LOSS,
    }
    assert not never & EXPLAINED_BY_WORK
    assert {Condition.WIDE_SWING, Condition.PROBE_SILENT, Condition.HEATER_NO_HEAT} <= EXPLAINED_BY_WORK


def test_water_poured_in_too_cold_is_told_in_service() -> None:
    bench, tank = running()
    bench.send(Channel.SERVICE, "water-out")
    began_s = bench.now_s
    for _ in range(20):
        tank.water_c -= 0.13
        tank.live(1 / 60, held=False)
    assert "cooling-fast" in bench.names()
    assert bench.raised(Condition.COOLING_FAST)[0].time_s - began_s < 1500.0


def test_water_too_warm_is_told_in_service() -> None:
    bench, tank = running()
    bench.send(Channel.SERVICE, "work")
    for _ in range(40):
        tank.water_c += 0.08
        tank.live(1 / 60, held=False)
    assert "too-warm" in bench.names()


def test_marks_that_come_twice_or_out_of_order_do_no_harm() -> None:
    bench, tank = running()
    for mark in ("end", "work", "work", "water-out", "end", "end"):
        bench.send(Channel.SERVICE, mark)
        tank.live(0.05)
    bench.send(Channel.SERVICE, "work", bench.now_s - HOUR_S)
    bench.send(Channel.SERVICE, "end")
    tank.live(5.0)
    assert bench.names() == []
