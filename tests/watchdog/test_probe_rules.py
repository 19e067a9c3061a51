"""Whether the probe may be believed. All courses are invented.

85.0 °C is the DS18B20's value after power-on (Dallas/Maxim DS18B20 data sheet, table 1, footnote). -127 is
what a widely used host library gives for a sensor that does not answer (value from memory).
"""

import math
import random
from typing import Any

import pytest
from watch_bench import HOUR_S, MIDNIGHT_S, Bench, Thermostat, tank_config, wave

from tankwatch.alarms.model import Condition
from tankwatch.reading import Channel

POWER_ON_C = 85.0
NO_ANSWER_C = -127.0


def running(hours: float = 8.0) -> tuple[Bench, Thermostat]:
    """Return a tank whose thermostat has worked for some hours."""
    bench = Bench((tank_config(),))
    tank = Thermostat(bench, heating_k_per_h=1.05)
    tank.live(hours)
    assert bench.names() == []
    return bench, tank


# --- impossible values ---


@pytest.mark.parametrize(
    ("value_c", "word"),
    [(POWER_ON_C, "power-on"), (NO_ANSWER_C, "does not answer"), (-40.0, "no temperature")],
)
def test_an_impossible_value_that_stays_is_told_at_the_third(value_c: float, word: str) -> None:
    bench, _ = running()
    began_s = bench.now_s
    bench.live(0.1, value_c)
    (step,) = bench.raised()
    assert step.alarm.condition is Condition.PROBE_FAULTY
    assert step.time_s - began_s <= 3 * 30.0
    assert word in step.alarm.message
    assert step.alarm.value == value_c


@pytest.mark.parametrize("value_c", [POWER_ON_C, NO_ANSWER_C, 40.0])
def test_a_single_odd_value_is_left_out(value_c: float) -> None:
    """Right after power-on a DS18B20 sends 85.0 once, before its first conversion."""
    bench, tank = running()
    for _ in range(3):
        bench.send(Channel.TEMPERATURE, value_c, bench.now_s + 15.0)
        tank.live(1.0)
    assert bench.names() == []
    assert bench.dog.tanks(bench.now_s)[0].swing_24h_c == pytest.approx(0.5, abs=0.1)


def test_one_in_four_values_odd_is_a_fault() -> None:
    bench, tank = running()
    rng = random.Random(5)
    began_s = bench.now_s
    while bench.now_s < began_s + HOUR_S and not bench.names():
        tank.step(30.0)
        bench.now_s += 30.0
        odd = rng.random() < 0.25
        bench.send(
            Channel.TEMPERATURE, tank.water_c + (rng.choice((-1, 1)) * rng.uniform(4, 15) if odd else 0.0)
        )
        bench.send(Channel.HEATER, float(tank.on))
    assert bench.names() == ["probe-faulty"]
    assert bench.now_s - began_s < 1800.0


def test_a_probe_that_scatters_by_a_kelvin_is_a_fault() -> None:
    bench = Bench((tank_config(probe_interval_s=10.0),))
    rng = random.Random(6)
    bench.live(2.0, lambda _: 25.0 + rng.gauss(0.0, 0.02), step_s=10.0)
    assert bench.names() == []
    bench.live(0.5, lambda _: 25.0 + rng.uniform(-0.5, 0.5), step_s=10.0)
    assert bench.names() == ["probe-faulty"]


def test_a_probe_that_came_right_is_told() -> None:
    bench, tank = running()
    bench.live(0.1, POWER_ON_C)
    tank.live(1.0)
    assert len(bench.ended(Condition.PROBE_FAULTY)) == 1
    assert bench.names() == ["probe-faulty"], "nothing else is made of a probe's fault"


def test_power_on_values_from_the_first_reading_are_told(format_checks: dict[str, dict[str, Any]]) -> None:
    """Row `ds18b20.poweron` of the check values."""
    bench = Bench()
    bench.live(0.1, format_checks["ds18b20.poweron"]["expected"])
    assert bench.names() == ["probe-faulty"]


def test_a_real_step_of_the_water_is_believed() -> None:
    """A quarter of cold water poured in: three readings agree, so it is the water and no spike."""
    bench, _ = running()
    bench.live(0.3, 22.0)
    assert Condition.PROBE_FAULTY.value not in bench.names()
    assert bench.names() != [], "3 K lost at once never pass in silence"


# --- frozen ---


def test_a_value_that_never_moves_while_the_heater_cycles_is_frozen() -> None:
    bench, tank = running()
    stuck_c = round(tank.water_c, 2)
    began_s = bench.now_s
    while not bench.names() and bench.now_s < began_s + 8 * HOUR_S:
        tank.step(30.0)
        bench.now_s += 30.0
        bench.send(Channel.TEMPERATURE, stuck_c)
        bench.send(Channel.HEATER, float(tank.on))
    assert bench.names() == ["probe-frozen"]
    assert bench.raised()[0].alarm.value == stuck_c
    tank.live(1.0)
    assert len(bench.ended(Condition.PROBE_FROZEN)) == 1


def test_a_frozen_probe_is_found_without_a_heater_state() -> None:
    bench = Bench()
    tank = Thermostat(bench, heating_k_per_h=1.05)
    water = []
    for _ in range(40 * 120):
        tank.step(30.0)
        water.append(tank.water_c)
    for value_c in water:
        bench.live(1 / 120, value_c)
    assert bench.names() == []
    bench.live(8.0, 25.0)
    assert bench.names() == ["probe-frozen"]


def test_a_coarse_probe_at_rest_is_not_frozen() -> None:
    """A step of half a kelvin (DS18B20 at 9 bit, data sheet table) hides a whole cycle of the thermostat."""
    bench = Bench((tank_config(),))
    tank = Thermostat(bench, heating_k_per_h=1.05, low_c=24.9, high_c=25.1, quantum_c=0.5)
    tank.live(30.0)
    assert Condition.PROBE_FROZEN.value not in bench.names()


def test_water_at_the_rooms_temperature_is_not_frozen() -> None:
    """Summer: the heater is off for days and nothing moves."""
    bench = Bench()
    bench.live(36.0, 27.0, heater=0.0, step_s=60.0)
    assert bench.names() == []


# --- out of the water ---


def test_a_probe_that_goes_to_the_room_is_out_of_the_water() -> None:
    """The air is measured: within 20 minutes the probe is most of the way there (lag of three minutes)."""
    bench, tank = running(0.0)
    tank.live(8.0, air=20.0)
    began_s, from_c = bench.now_s, tank.water_c

    def in_air(time_s: float) -> float:
        return 20.0 + (from_c - 20.0) * math.exp(-(time_s - began_s) / 180.0)

    bench.live(0.6, in_air, heater=0.0, air=20.0)
    assert bench.names() == ["probe-out-of-water"]
    assert bench.raised()[0].time_s - began_s < 1200.0
    tank.live(1.0, air=20.0)
    assert len(bench.ended(Condition.PROBE_OUT_OF_WATER)) == 1


def test_a_probe_lifted_in_service_is_no_fault() -> None:
    bench, tank = running()
    bench.send(Channel.SERVICE, "work")
    began_s = bench.now_s
    bench.live(0.15, lambda t: 22.0 + 3.0 * math.exp(-(t - began_s) / 180.0), heater=0.0)
    bench.live(0.05, 25.0, heater=0.0)
    bench.send(Channel.SERVICE, "end")
    tank.live(2.0)
    assert not {"probe-out-of-water", "probe-faulty", "probe-frozen"} & set(bench.names())


# --- silence ---


@pytest.mark.parametrize("interval_s", [2.0, 10.0, 60.0])
def test_silence_is_told_within_a_quarter_of_an_hour(interval_s: float) -> None:
    bench = Bench((tank_config(probe_interval_s=interval_s),))
    bench.live(1.0, 25.0, step_s=interval_s)
    last_s = bench.now_s
    bench.wait(1200.0)
    (step,) = bench.raised()
    assert step.alarm.condition is Condition.PROBE_SILENT
    assert step.time_s - last_s <= 900.0
    bench.live(0.1, 25.0, step_s=interval_s)
    assert len(bench.ended(Condition.PROBE_SILENT)) == 1


@pytest.mark.parametrize(("interval_s", "gap_s"), [(2.0, 60.0), (10.0, 60.0), (60.0, 180.0)])
def test_a_gap_of_three_intervals_or_a_minute_is_healthy(interval_s: float, gap_s: float) -> None:
    bench = Bench((tank_config(probe_interval_s=interval_s),))
    for _ in range(6):
        bench.live(0.5, wave(25.0, 0.2, 3000.0), step_s=interval_s)
        bench.wait(gap_s)
    assert bench.names() == []


def test_a_probe_never_heard_is_silent_in_a_running_watch() -> None:
    bench = Bench(expects_all=True)
    bench.wait(1200.0)
    (step,) = bench.raised()
    assert step.alarm.condition is Condition.PROBE_SILENT
    assert "never heard" in step.alarm.message
    assert step.time_s - MIDNIGHT_S <= 900.0


def test_a_value_that_the_broker_had_kept_ends_no_silence() -> None:
    bench = Bench()
    bench.live(1.0, 25.0)
    bench.wait(1200.0)
    bench.send(Channel.TEMPERATURE, 25.0, retained=True)
    bench.wait(120.0)
    assert bench.names() == ["probe-silent"]
    assert bench.ended(Condition.PROBE_SILENT) == []


def test_silence_in_service_is_the_works() -> None:
    bench = Bench()
    bench.live(1.0, 25.0)
    bench.send(Channel.SERVICE, "work")
    bench.wait(3600.0)
    assert bench.names() == []
    bench.send(Channel.SERVICE, "end")
    bench.wait(1800.0)
    assert bench.names() == ["probe-silent"], "after the work it is told"


# --- what the DS18B20 really sends ---


def test_every_temperature_of_the_data_sheet_that_water_can_have_is_believed(
    format_checks: dict[str, dict[str, Any]],
) -> None:
    """Table 1 of the data sheet (row `ds18b20.table`): what water can have is used, the rest is not."""
    for value_c in format_checks["ds18b20.table"]["expected"]:
        bench = Bench((tank_config(setpoint_c=20.0, low_c=0.0, high_c=40.0),))
        bench.live(0.1, value_c)
        assert ("probe-faulty" in bench.names()) is not (-5.0 < value_c < 50.0)
