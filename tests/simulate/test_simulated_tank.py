"""The simulated tank against the equation that it steps through, and each of its faults for what it does.

The closed solution and the cycle times come from the energy balance (check values `cycle`, `cool.outage`
and `tau.*`); the reference integration is scipy.integrate.solve_ivp. The tanks are invented.
"""

import math
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from statistics import mean, pstdev
from typing import Any

import pytest
from scipy.integrate import solve_ivp

from tankwatch.simulate.room import RoomAir
from tankwatch.simulate.tank import Fault, FaultKind, Record, TankSim, TankSpec, Work, run

HOUR_S = 3600.0
DAY_S = 86_400.0
STILL = RoomAir(mean_c=20.0, daily_k=0.0, weather_k=0.0)
QUIET = TankSpec("t01", noise_c=0.0, quantum_c=0.0, light_gain_w=0.0, interval_s=30.0)


def sim_of(spec: TankSpec = QUIET, air: RoomAir = STILL, *faults: Fault, **rest: Any) -> TankSim:
    return TankSim(spec, air, 0.0, faults=faults, **rest)


def records(sim: TankSim, hours: float, **measured: bool) -> list[Record]:
    return list(run(sim, sim.time_s + hours * HOUR_S, **measured))


def of(channel: str, rows: list[Record]) -> list[tuple[float, Any]]:
    return [(time_s, value) for name, time_s, value in rows if name == channel]


# --- the physics ---


def test_unheated_water_falls_as_newton_says(check_row: Callable[[str], Any]) -> None:
    """T = Ta + (T0 - Ta)·exp(-t/tau): row `cool.outage`, 25 °C in a room of 20 °C, tau 12.5 h, after 6 h."""
    row = check_row("cool.outage")
    given = row.inputs
    spec = replace(QUIET, volume_l=64.8, loss_w_per_k=64.8 * 4168.0 / (given["tau_h"] * HOUR_S))
    sim = sim_of(spec, STILL, Fault(FaultKind.UNPLUGGED, 0.0))
    sim.water_c = given["T0"]
    sim.advance(given["t_h"] * HOUR_S)
    row.agrees(sim.water_c)


def test_the_cycle_has_the_times_of_the_energy_balance(check_row: Callable[[str], Any]) -> None:
    """Row `cycle`: 100 L, 0.5 K, 100 W against 40 W: on 3474 s, off 5211 s.

    The row holds for a band that is small against the distance to the room; a far colder room makes it so.
    The element's lag lets the water overshoot a little at either end: two parts in a hundred.
    """
    on_s, off_s, period_s = check_row("cycle").expected
    spec = replace(
        QUIET, volume_l=100.0, heater_w=100.0, hysteresis_k=0.5, loss_w_per_k=1.0, heater_lag_s=1.0
    )
    sim = sim_of(spec, RoomAir(mean_c=-15.0, daily_k=0.0, weather_k=0.0))
    states = of("heater", records(sim, 40.0))
    ups = [t for (_, a), (t, b) in pairwise(states) if b > a]
    downs = [t for (_, a), (t, b) in pairwise(states) if b < a]
    assert mean(b - a for a, b in pairwise(ups)) == pytest.approx(period_s, rel=0.02)
    heated = [down - max(u for u in ups if u < down) for down in downs if down > ups[0]]
    assert mean(heated) == pytest.approx(on_s, rel=0.03)
    assert period_s == pytest.approx(on_s + off_s, abs=1.0)


def test_a_moving_room_and_a_lamp_act_as_in_the_reference_integration() -> None:
    air = RoomAir(mean_c=18.0, daily_k=2.0, weather_k=0.5, seed=9)
    spec = replace(QUIET, light_gain_w=6.0, light_on_h=2.0, light_hours=8.0)
    sim = sim_of(spec, air, Fault(FaultKind.UNPLUGGED, 0.0))
    capacity = spec.volume_l * 4168.0

    def slope(t: float, y: Any) -> list[float]:
        gain_w = spec.light_gain_w if 2.0 <= t / HOUR_S < 10.0 else 0.0
        return [(gain_w - spec.loss_w_per_k * (y[0] - air.temperature_c(t))) / capacity]

    reference = solve_ivp(slope, (0.0, DAY_S), [sim.water_c], rtol=1e-8, max_step=300.0)
    sim.advance(DAY_S)
    assert sim.water_c == pytest.approx(float(reference.y[0, -1]), abs=0.005)


def test_a_stuck_heater_ends_where_power_and_loss_balance() -> None:
    spec = replace(QUIET, volume_l=20.0, heater_w=60.0, loss_w_per_k=6.0)
    sim = sim_of(spec, STILL, Fault(FaultKind.STUCK_ON, 0.0))
    sim.advance(60 * HOUR_S)
    assert sim.water_c == pytest.approx(20.0 + 60.0 / 6.0, abs=0.02)


@pytest.mark.parametrize("seed", range(5))
def test_a_healthy_tank_stays_within_its_hysteresis(seed: int) -> None:
    sim = TankSim(QUIET, STILL, 0.0, seed=seed)
    water = [value for _, value in of("temperature", records(sim, 24.0))]
    assert 24.6 < min(water) < 24.8
    assert 25.2 < max(water) < 25.4


# --- the probe ---


def test_the_probe_rounds_to_its_quantum() -> None:
    """0.0625 °C: the DS18B20 at twelve bit (data sheet, table 2; value from memory)."""
    rows = records(sim_of(replace(QUIET, quantum_c=0.0625, noise_c=0.03)), 4.0)
    assert all((value / 0.0625).is_integer() for _, value in of("temperature", rows))


def test_the_probes_noise_is_the_one_asked_for() -> None:
    sim = sim_of(replace(QUIET, noise_c=0.05))
    water = [value for _, value in of("temperature", records(sim, 24.0))]
    rough = [(a + c) / 2 - b for a, b, c in zip(water, water[1:], water[2:], strict=False)]
    assert pstdev(rough) / math.sqrt(1.5) == pytest.approx(0.05, rel=0.1)


def test_the_probe_lags_behind_the_water(check_row: Callable[[str], Any]) -> None:
    """After one time constant 63.2 % of a step is seen (row `tau.1`)."""
    sim = sim_of(replace(QUIET, probe_lag_s=120.0, interval_s=1.0), STILL, Fault(FaultKind.UNPLUGGED, 0.0))
    before = sim.probe_c()
    assert before is not None
    sim.water_c += 3.0
    sim.advance(120.0)
    after = sim.probe_c()
    assert after is not None
    assert (after - before) / 3.0 == pytest.approx(check_row("tau.1").expected, abs=0.01)


def test_one_reading_of_each_channel_an_interval() -> None:
    rows = records(sim_of(), 2.0, air=True)
    for channel in ("temperature", "heater", "light", "air"):
        stamps = [time_s for time_s, _ in of(channel, rows)]
        assert stamps == [30.0 * (i + 1) for i in range(240)]
    assert {name for name, _, _ in records(sim_of(), 1.0, heater=False, light=False)} == {"temperature"}


def test_the_same_seed_gives_the_same_records() -> None:
    noisy = replace(QUIET, noise_c=0.02)
    first, again, other = (records(TankSim(noisy, STILL, 0.0, seed=seed), 3.0) for seed in (4, 4, 5))
    assert first == again
    assert first != other


# --- faults: each changes one thing ---

AT_S = 6 * HOUR_S


def after_fault(kind: FaultKind, size: float = 1.0, hours: float = 12.0) -> list[Record]:
    sim = sim_of(QUIET, STILL, Fault(kind, AT_S, size=size))
    return [row for row in records(sim, hours) if row[1] > AT_S + 30.0]


@pytest.mark.parametrize(
    ("kind", "states"),
    [
        (FaultKind.STUCK_ON, {1.0}),
        (FaultKind.STUCK_ON_UNSEEN, {0.0, 1.0}),
        (FaultKind.DEAD_ELEMENT, {0.0, 1.0}),
        (FaultKind.UNPLUGGED, {0.0}),
        (FaultKind.POWER_CUT, {0.0}),
    ],
)
def test_what_the_heaters_state_shows(kind: FaultKind, states: set[float]) -> None:
    assert {value for _, value in of("heater", after_fault(kind))} <= states


@pytest.mark.parametrize("kind", [FaultKind.STUCK_ON, FaultKind.STUCK_ON_UNSEEN])
def test_a_stuck_heater_warms_on(kind: FaultKind) -> None:
    assert of("temperature", after_fault(kind))[-1][1] > 26.5


@pytest.mark.parametrize("kind", [FaultKind.DEAD_ELEMENT, FaultKind.UNPLUGGED, FaultKind.POWER_CUT])
def test_without_heat_the_water_falls(kind: FaultKind) -> None:
    assert of("temperature", after_fault(kind))[-1][1] < 24.3


def test_a_weak_element_and_an_open_lid_need_more_duty() -> None:
    def duty(*faults: Fault) -> float:
        return mean(float(value) for _, value in of("heater", records(sim_of(QUIET, STILL, *faults), 96.0)))

    healthy = duty()
    assert healthy == pytest.approx(7.0 * 5.0 / 150.0, rel=0.08), "loss over power"
    assert duty(Fault(FaultKind.WEAK_ELEMENT, 0.0, size=0.5)) == pytest.approx(2.0 * healthy, rel=0.08)
    assert duty(Fault(FaultKind.LID_OFF, 0.0, size=1.5)) == pytest.approx(1.5 * healthy, rel=0.08)


def test_a_creeping_thermostat_moves_by_its_size_a_day() -> None:
    rows = of("temperature", records(sim_of(QUIET, STILL, Fault(FaultKind.DRIFT, 0.0, size=0.6)), 72.0))
    first = mean(value for time_s, value in rows if time_s < DAY_S)
    last = mean(value for time_s, value in rows if time_s > 2 * DAY_S)
    assert last - first == pytest.approx(1.2, abs=0.15)


def test_short_cycling_switches_far_more_often() -> None:
    def starts(*faults: Fault) -> int:
        return sum(
            b > a for (_, a), (_, b) in pairwise(of("heater", records(sim_of(QUIET, STILL, *faults), 24.0)))
        )

    assert starts(Fault(FaultKind.SHORT_CYCLING, 0.0, size=0.05)) > 5 * starts()


@pytest.mark.parametrize(
    ("kind", "value_c"), [(FaultKind.PROBE_POWER_ON, 85.0), (FaultKind.PROBE_UNPLUGGED, -127.0)]
)
def test_a_probe_that_does_not_measure_sends_its_word(kind: FaultKind, value_c: float) -> None:
    assert {value for _, value in of("temperature", after_fault(kind, hours=7.0))} == {value_c}


def test_a_silent_probe_sends_nothing_at_all() -> None:
    assert [row for row in after_fault(FaultKind.PROBE_SILENT) if row[0] != "service"] == []


def test_a_frozen_probe_keeps_its_value_while_the_heater_goes_on() -> None:
    rows = after_fault(FaultKind.PROBE_FROZEN)
    assert len({value for _, value in of("temperature", rows)}) == 1
    assert {value for _, value in of("heater", rows)} == {0.0, 1.0}


def test_a_probe_in_air_shows_the_rooms() -> None:
    assert of("temperature", after_fault(FaultKind.PROBE_IN_AIR))[-1][1] == pytest.approx(20.0, abs=0.6)


def test_spikes_come_as_often_as_asked() -> None:
    values = [
        value for _, value in of("temperature", after_fault(FaultKind.PROBE_SPIKES, size=0.25, hours=18.0))
    ]
    assert mean(abs(value - 25.0) > 3.0 for value in values) == pytest.approx(0.25, abs=0.05)


@pytest.mark.parametrize(
    ("kind", "state"), [(FaultKind.LIGHT_ON, 1.0), (FaultKind.LIGHT_OFF, 0.0), (FaultKind.POWER_CUT, 0.0)]
)
def test_a_lamp_that_stays(kind: FaultKind, state: float) -> None:
    rows = after_fault(kind, hours=30.0)
    assert {value for _, value in of("light", rows)} == {state}


def test_the_lamp_burns_its_hours_and_at_feeding_time() -> None:
    sim = sim_of(
        replace(QUIET, light_on_h=22.0, light_hours=6.0), STILL, extra_light=[(12 * HOUR_S, 12.1 * HOUR_S)]
    )
    lit = [time_s / HOUR_S for time_s, value in of("light", records(sim, 24.0)) if value]
    assert len(lit) / 120.0 == pytest.approx(6.1, abs=0.05)
    assert all(hour < 4.01 or 12.0 <= hour < 12.11 or hour >= 22.0 for hour in lit)


def test_a_fault_ends_when_it_is_over() -> None:
    sim = sim_of(QUIET, STILL, Fault(FaultKind.PROBE_POWER_ON, HOUR_S, 2 * HOUR_S))
    values = of("temperature", records(sim, 3.0))
    assert {round(value) for time_s, value in values if time_s >= 2 * HOUR_S} == {25}


# --- work ---


def test_a_change_of_water_mixes_by_its_share() -> None:
    """A fifth at 20 °C into four fifths at about 25 °C: the mixture rule; nothing heats meanwhile."""
    work = Work(HOUR_S, 1200.0, share=0.2, new_water_c=20.0)
    sim = sim_of(replace(QUIET, loss_w_per_k=0.001), STILL, works=[work])
    sim.advance(HOUR_S)
    before = sim.water_c
    sim.advance(HOUR_S + 1200.0)
    assert sim.water_c == pytest.approx(0.8 * before + 0.2 * 20.0, abs=0.05)


def test_service_marks_are_sent_at_both_ends() -> None:
    works = [
        Work(HOUR_S, 1200.0, share=0.2),
        Work(3 * HOUR_S, 600.0),
        Work(5 * HOUR_S, 600.0, 0.1, marked=False),
    ]
    rows = records(sim_of(QUIET, STILL, works=works), 8.0)
    assert [word for _, word in of("service", rows)] == ["water-out", "end", "work", "end"]


@pytest.mark.parametrize("unplugged", [True, False])
def test_the_heater_is_unplugged_with_the_water_low_or_forgotten(unplugged: bool) -> None:
    work = Work(HOUR_S, 3600.0, share=0.4, heater_unplugged=unplugged)
    sim = sim_of(QUIET, STILL, Fault(FaultKind.STUCK_ON, HOUR_S), works=[work])
    rows = [value for time_s, value in of("heater", records(sim, 3.0)) if HOUR_S + 30 < time_s < 2 * HOUR_S]
    assert set(rows) == ({0.0} if unplugged else {1.0})
