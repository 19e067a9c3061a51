"""What the model is taught: whole undisturbed cycles and nothing that a fault, work or a gap has touched.

All courses are invented.
"""

import json

import pytest
from watch_bench import HOUR_S, Bench, Thermostat, tank_config

from tankwatch.alarms.model import Condition
from tankwatch.reading import Channel
from tankwatch.watchdog.tank import TankWatch

HEATING_K_PER_H = 1.05


def running(hours: float = 30.0) -> tuple[Bench, Thermostat, TankWatch]:
    bench = Bench((tank_config(),))
    tank = Thermostat(bench, heating_k_per_h=HEATING_K_PER_H)
    tank.live(hours, air=20.0)
    assert bench.names() == []
    return bench, tank, bench.dog.tank("t01")


def heating_of(watch: TankWatch) -> float:
    estimate = watch.model.heating_k_per_h
    assert estimate is not None
    assert watch.model.heating_is_measured
    return estimate.value


def test_the_first_day_teaches_the_heating() -> None:
    _, _, watch = running()
    assert heating_of(watch) == pytest.approx(HEATING_K_PER_H, rel=0.03)
    assert all(block.air_c == pytest.approx(20.0) for block in watch.model.blocks)


def test_a_gap_teaches_nothing() -> None:
    bench, tank, watch = running(20.0)
    for _ in range(6):
        bench.now_s += 2400.0
        tank.step(2400.0)
        tank.live(4.0, air=20.0)
    assert heating_of(watch) == pytest.approx(HEATING_K_PER_H, rel=0.05)


def test_a_step_of_the_probes_clock_teaches_nothing_wrong() -> None:
    bench, tank, watch = running(20.0)
    true_s = bench.now_s
    bench.now_s -= HOUR_S
    tank.live(20.0, air=20.0)
    assert bench.now_s == pytest.approx(true_s + 19 * HOUR_S)
    assert bench.names() == []
    assert heating_of(watch) == pytest.approx(HEATING_K_PER_H, rel=0.03)


def test_duplicates_and_late_readings_teach_nothing_wrong() -> None:
    bench = Bench((tank_config(),))
    tank = Thermostat(bench, heating_k_per_h=HEATING_K_PER_H)
    for i in range(3600):
        tank.live(1 / 120, air=20.0)
        tank.tell(air=20.0)
        if i % 7 == 0:
            bench.send(Channel.TEMPERATURE, tank.water_c + 0.1, bench.now_s - 600.0)
    assert bench.names() == []
    assert heating_of(bench.dog.tank("t01")) == pytest.approx(HEATING_K_PER_H, rel=0.03)


def test_a_fault_is_not_learned() -> None:
    """Half a day without heat, and the tank is still known as it was."""
    bench, tank, watch = running()
    while not tank.on:
        tank.live(1 / 60, air=20.0)
    tank.live(5.0, heats=False, air=20.0)
    assert Condition.HEATER_NO_HEAT.value in bench.names()
    assert heating_of(watch) == pytest.approx(HEATING_K_PER_H, rel=0.03)
    tank.live(16.0, air=20.0)
    assert heating_of(watch) == pytest.approx(HEATING_K_PER_H, rel=0.05)


def test_service_is_not_learned() -> None:
    bench, tank, watch = running(20.0)
    for _ in range(5):
        bench.send(Channel.SERVICE, "water-out")
        tank.water_c -= 0.8
        tank.live(0.4, held=False, air=20.0)
        bench.send(Channel.SERVICE, "end")
        tank.live(5.0, air=20.0)
    assert heating_of(watch) == pytest.approx(HEATING_K_PER_H, rel=0.05)


def test_power_is_learned_where_the_heaters_state_is_not_measured() -> None:
    bench = Bench((tank_config(heater_w=None),))
    tank = Thermostat(bench, heating_k_per_h=HEATING_K_PER_H)
    for _ in range(40 * 120):
        tank.step(30.0)
        bench.now_s += 30.0
        bench.send(Channel.TEMPERATURE, round(tank.water_c, 2))
    assert bench.names() == []
    assert heating_of(bench.dog.tank("t01")) == pytest.approx(HEATING_K_PER_H, rel=0.10)


def test_what_a_tank_remembers_is_small_and_fit_for_json() -> None:
    bench, _, _ = running(60.0)
    memory = json.dumps(bench.dog.remember())
    assert len(memory) < 30_000
    assert "NaN" not in memory
    assert "Infinity" not in memory
