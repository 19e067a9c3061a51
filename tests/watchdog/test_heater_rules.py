"""Heater faults told by the model before a limit is reached. All courses are invented.

How far the water may have gone when it must be told follows from this project's own contract: 1 K beyond
the usual turn of the cycle, or 45 minutes.
"""

import pytest
from watch_bench import HOUR_S, Bench, Thermostat, tank_config

from tankwatch.alarms.model import Condition


def running(hours: float = 26.0, max_rate_c_per_h: float = 1.5) -> tuple[Bench, Thermostat]:
    bench = Bench((tank_config(max_rate_c_per_h=max_rate_c_per_h),))
    tank = Thermostat(bench, heating_k_per_h=1.05)
    tank.live(hours)
    assert bench.names() == []
    return bench, tank


@pytest.mark.parametrize("shown", [None, False])
def test_contacts_that_weld_are_told_before_a_kelvin(shown: bool | None) -> None:
    """Also where the state shown is the thermostat's wish and not the power drawn."""
    bench, tank = running()
    while tank.on:
        tank.live(1 / 60)
    tank.live(8.0, held=True, shown=shown)
    (step,) = [s for s in bench.raised() if s.alarm.condition is Condition.HEATER_STUCK_ON]
    assert bench.names()[0] == "heater-stuck-on"
    assert step.alarm.value is not None
    assert step.alarm.value < tank.high_c + 1.0
    assert step.alarm.margin_min is not None
    assert step.alarm.margin_min > 0.0, "there is still time"
    assert bench.names() == ["heater-stuck-on"], "what follows from it is folded into it"


def test_a_dead_element_is_told_while_it_is_called() -> None:
    bench, tank = running()
    while not tank.on:
        tank.live(1 / 60)
    began_s = bench.now_s
    tank.live(3.0, heats=False)
    assert bench.names()[0] == "heater-no-heat"
    step = bench.raised(Condition.HEATER_NO_HEAT)[0]
    assert (step.alarm.value or 0.0) > tank.low_c - 1.0
    assert step.time_s - began_s < 2 * HOUR_S


def test_an_unplugged_heater_is_told_before_a_kelvin() -> None:
    bench, tank = running()
    tank.live(6.0, held=False)
    assert bench.names()[0] == "heater-no-heat"
    assert (bench.raised()[0].alarm.value or 0.0) > tank.low_c - 1.0


def test_the_cold_that_follows_is_folded_into_its_cause() -> None:
    bench, tank = running()
    tank.live(9.0, held=False)
    assert tank.water_c < 23.0
    assert "too-cold" not in bench.names()
    alarm = bench.dog.book.active("t01", Condition.HEATER_NO_HEAT)
    assert alarm is not None
    assert "too-cold" in alarm.evidence["consequences"]
    assert alarm.priority.value == "critical"


def test_heat_that_comes_back_is_told() -> None:
    bench, tank = running()
    tank.live(5.0, held=False)
    tank.live(6.0)
    assert bench.names() == ["heater-no-heat"]
    assert len(bench.ended(Condition.HEATER_NO_HEAT)) == 1


def test_a_heater_that_cannot_hold_is_told_before_a_kelvin() -> None:
    """A cold snap: the loss grows beyond the heater's power; it is on all the time and the water falls."""
    bench, tank = running(max_rate_c_per_h=3.0)
    for _ in range(24):
        tank.cooling_k_per_h += 0.04
        tank.live(0.25)
    tank.live(6.0)
    assert bench.names()[0] == "heater-overloaded"
    assert (bench.raised()[0].alarm.value or 0.0) > tank.low_c - 1.0


def test_more_duty_than_the_room_explains_is_told_within_hours() -> None:
    """The room is measured and has not changed, yet the loss is twice what it was: a lid is off."""
    bench = Bench((tank_config(),))
    tank = Thermostat(bench, heating_k_per_h=1.05)
    tank.live(36.0, air=20.0)
    began_s = bench.now_s
    tank.cooling_k_per_h *= 1.9
    tank.live(14.0, air=20.0)
    assert bench.names() == ["heater-duty-high"]
    assert HOUR_S < bench.raised()[0].time_s - began_s < 12 * HOUR_S


def test_a_thermostat_that_flutters_is_told() -> None:
    bench, tank = running()
    tank.low_c, tank.high_c = 24.995, 25.005
    tank.live(3.0)
    assert bench.names() == ["heater-short-cycling"]


def test_a_thermostat_that_creeps_is_told_with_its_offset() -> None:
    bench, tank = running(30.0)
    for _ in range(48):
        tank.low_c += 0.02
        tank.high_c += 0.02
        tank.live(1.0)
    assert bench.names() == ["thermostat-drift"]
    evidence = bench.raised()[0].alarm.evidence
    assert evidence["moved_k"] == pytest.approx(0.5, abs=0.1)
    assert evidence["off_setpoint_k"] == pytest.approx(0.5, abs=0.15)


def test_a_thermostat_that_always_was_elsewhere_is_told_once_it_is_known() -> None:
    bench = Bench((tank_config(setpoint_c=26.2),))
    tank = Thermostat(bench, heating_k_per_h=1.05)
    tank.live(30.0)
    assert bench.names() == ["thermostat-drift"]
    assert bench.raised()[0].alarm.evidence["off_setpoint_k"] == pytest.approx(-1.2, abs=0.1)


def test_no_fault_is_made_of_a_healthy_week() -> None:
    bench = Bench((tank_config(probe_interval_s=60.0),))
    tank = Thermostat(bench, heating_k_per_h=1.05, quantum_c=0.0625)
    for hour in range(7 * 24):
        tank.cooling_k_per_h = 0.4 + 0.1 * ((hour % 24) < 8)  # the nights are colder
        tank.live(1.0, step_s=60.0)
    assert bench.names() == []
