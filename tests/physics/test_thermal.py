"""The heat of a tank against textbook examples, a numerical integration and the balance of heat."""

import math
from collections.abc import Callable
from typing import Any

import iapws
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from tankwatch.physics.thermal import (
    coldest_room_c,
    cycle_times_s,
    duty_expected,
    duty_needed,
    heat_capacity_j_per_k,
    heater_needed_w,
    hot_share,
    mixed_temperature_c,
    steady_temperature_c,
    temperature_after,
    time_constant_s,
    time_to_reach_s,
)

Row = Callable[[str], Any]
temperatures = st.floats(1.0, 40.0)
volumes = st.floats(0.5, 1000.0)


def test_heat_to_warm_100_litres(check_row: Row) -> None:
    check_row("heat.100L.1K").agrees(heat_capacity_j_per_k(100.0, 25.0) / 1000)


def test_heat_from_20_to_26_c_is_the_difference_of_enthalpy(check_row: Row) -> None:
    # The mass is that of 100 L at 20 °C; the mean specific heat is taken at 23 °C.
    per_k = heat_capacity_j_per_k(100.0, 23.0) * 998.2065 / 997.5375
    check_row("heat.100L.20_26").agrees(per_k * 6.0 / 1000)


def test_share_of_a_step_after_n_time_constants(check_row: Row) -> None:
    for n in range(1, 6):
        check_row(f"tau.{n}").agrees(temperature_after(n * 100.0, 0.0, 1.0, 100.0))


def test_rise_time_and_half_time(check_row: Row) -> None:
    rise = time_to_reach_s(0.0, 0.9, 1.0, 1.0) - time_to_reach_s(0.0, 0.1, 1.0, 1.0)
    check_row("tau.rise").agrees(rise, time_to_reach_s(0.0, 0.5, 1.0, 1.0))


def test_thermocouple_of_a_textbook(check_row: Row) -> None:
    row = check_row("incropera.5.1")
    i = row.inputs
    diameter_m = 6.0 * i["h"] * 1.0 / (i["rho"] * i["c"])  # a sphere: m c / (h A) = rho c D / (6 h) = 1 s
    row.agrees(diameter_m, time_to_reach_s(i["Ti"], i["T"], i["Tinf"], 1.0))


def test_steel_ball_of_a_textbook(check_row: Row) -> None:
    row = check_row("holman.4.1")
    i = row.inputs
    mass_kg = i["rho"] * 4 / 3 * math.pi * i["r"] ** 3
    tau_s = time_constant_s(mass_kg * i["c"], i["h"] * 4 * math.pi * i["r"] ** 2)
    row.agrees(time_to_reach_s(i["T0"], i["T"], i["Tinf"], tau_s))


def test_newtons_cooling_of_a_cup(check_row: Row) -> None:
    row = check_row("newton.coffee")
    i = row.inputs
    tau_s = 300.0 / math.log((i["T0"] - i["Ta"]) / (i["T5"] - i["Ta"]))
    row.agrees(temperature_after(600.0, i["T0"], i["Ta"], tau_s))


def test_duty_is_loss_over_power(check_row: Row) -> None:
    i = check_row("duty").inputs
    check_row("duty").agrees(duty_expected(i["loss_W"] / 5.0, 25.0, 20.0, i["power_W"]))


def test_cycle_times(check_row: Row) -> None:
    i = check_row("cycle").inputs
    on_s, off_s = cycle_times_s(i["C_kJ_K"] * 1000, i["band_K"], i["P"], i["loss"])
    check_row("cycle").agrees(on_s, off_s, on_s + off_s)


def test_time_constant_and_outage_of_the_worked_tank(check_row: Row) -> None:
    row = check_row("tank.tau")
    row.agrees(time_constant_s(row.inputs["C_kJ_K"] * 1000, row.inputs["UA_W_K"]) / 3600)
    assert heat_capacity_j_per_k(64.8, 25.0) / 1000 == pytest.approx(row.inputs["C_kJ_K"], rel=0.001)
    row = check_row("cool.outage")
    i = row.inputs
    row.agrees(temperature_after(i["t_h"], i["T0"], i["Ta"], i["tau_h"]))


@pytest.mark.parametrize(("power_w", "room_c"), [(0.0, 16.0), (100.0, 20.0), (300.0, 12.0)])
def test_solution_equals_a_numerical_integration(power_w: float, room_c: float) -> None:
    capacity, loss = heat_capacity_j_per_k(120.0, 25.0), 6.0
    tau_s = time_constant_s(capacity, loss)
    # scipy 1.17 solve_ivp of C dT/dt = P - K (T - room)
    numeric = solve_ivp(
        lambda _t, y: (power_w - loss * (y - room_c)) / capacity,
        (0.0, 86_400.0),
        [25.0],
        rtol=1e-10,
        atol=1e-10,
    )
    steady_c = steady_temperature_c(power_w, loss, room_c)
    assert temperature_after(86_400.0, 25.0, steady_c, tau_s) == pytest.approx(numeric.y[0, -1], abs=1e-6)


def test_mixed_water_is_that_of_the_enthalpy_balance(check_row: Row) -> None:
    row = check_row("mix.80_20")
    row.agrees(mixed_temperature_c(row.inputs["V_L"], row.inputs["T_C"]))


@given(volumes, volumes, st.floats(10.0, 30.0), st.floats(10.0, 30.0))
def test_mixing_keeps_mass_and_heat(a_l: float, b_l: float, a_c: float, b_c: float) -> None:
    mixed_c = mixed_temperature_c([a_l, b_l], [a_c, b_c])
    assert min(a_c, b_c) - 1e-9 <= mixed_c <= max(a_c, b_c) + 1e-9
    # iapws 1.5: the enthalpy of the mixture is that of its parts.
    a, b, m = (_liquid(t) for t in (a_c, b_c, mixed_c))
    mass_a, mass_b = a_l * a[0], b_l * b[0]
    excess_k = ((mass_a + mass_b) * m[1] - mass_a * a[1] - mass_b * b[1]) / (mass_a + mass_b) / 4.18
    assert abs(excess_k) < 0.01


_GRID_C = np.arange(9.0, 31.5, 0.5)
_GRID = [iapws.IAPWS97(T=t + 273.15, P=0.101325) for t in _GRID_C]


def _liquid(celsius: float) -> tuple[float, float]:
    """Return density and enthalpy of IAPWS-IF97, interpolated so that many examples stay quick."""
    return (
        float(np.interp(celsius, _GRID_C, [w.rho for w in _GRID])),
        float(np.interp(celsius, _GRID_C, [w.h for w in _GRID])),
    )


def test_share_of_hot_water(check_row: Row) -> None:
    row = check_row("mix.hotfrac")
    i = row.inputs
    row.agrees(hot_share(i["T_hot"], i["T_cold"], i["T_target"]))
    with pytest.raises(ValueError, match="target in °C must be from 12 to 60"):
        hot_share(60.0, 12.0, 70.0)
    with pytest.raises(ValueError, match="hot tap must be warmer"):
        hot_share(12.0, 60.0, 25.0)


@given(temperatures, temperatures, temperatures, st.floats(60.0, 1e6))
def test_time_to_reach_undoes_temperature_after(
    start: float, target: float, steady: float, tau_s: float
) -> None:
    t_s = time_to_reach_s(start, target, steady, tau_s)
    assert t_s >= 0.0
    between = min(start, steady) < target < max(start, steady)
    if math.isfinite(t_s):
        assert temperature_after(t_s, start, steady, tau_s) == pytest.approx(target, abs=1e-6)
    else:
        assert not between


@pytest.mark.parametrize(
    ("start", "target", "steady", "never"),
    [
        (25.0, 23.0, 20.0, False),
        (25.0, 26.0, 20.0, True),  # cooling, never warmer
        (25.0, 20.0, 20.0, True),  # the room itself is only approached
        (25.0, 19.0, 20.0, True),
        (25.0, 26.0, 25.0, True),  # at rest
        (25.0, 25.0, 20.0, False),
    ],
)
def test_never_is_infinite(start: float, target: float, steady: float, never: bool) -> None:
    assert math.isinf(time_to_reach_s(start, target, steady, 3600.0)) is never


@given(st.floats(0.5, 50.0), temperatures, temperatures, st.floats(5.0, 1000.0), st.floats(0.0, 50.0))
def test_heat_balances_at_the_needed_duty(
    loss: float, water: float, room: float, heater_w: float, gain_w: float
) -> None:
    duty = duty_needed(loss, water, room, heater_w, gain_w)
    assert steady_temperature_c(duty * heater_w + gain_w, loss, room) == pytest.approx(water, abs=1e-8)
    assert 0.0 <= duty_expected(loss, water, room, heater_w, gain_w) <= 1.0
    coldest = coldest_room_c(loss, water, heater_w, gain_w)
    assert duty_needed(loss, water, coldest, heater_w, gain_w) == pytest.approx(1.0, abs=1e-6)
    assert heater_needed_w(loss, water, coldest, gain_w) == pytest.approx(heater_w, abs=1e-6)


def test_no_heater_is_needed_in_a_warm_room() -> None:
    assert heater_needed_w(5.0, 25.0, 30.0) == 0.0
    assert duty_expected(5.0, 25.0, 30.0, 100.0) == 0.0
    assert duty_needed(5.0, 25.0, 30.0, 100.0) < 0.0
    assert duty_needed(50.0, 25.0, 15.0, 100.0) > 1.0  # too weak


def test_cycle_of_a_heater_that_cannot_and_of_a_tank_that_loses_nothing() -> None:
    assert cycle_times_s(4e5, 0.5, 40.0, 50.0)[0] == math.inf
    assert cycle_times_s(4e5, 0.5, 40.0, 0.0)[1] == math.inf


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: heat_capacity_j_per_k(-5.0), "volume in litres must be above 0, got -5"),
        (lambda: heat_capacity_j_per_k(math.nan), "volume in litres"),
        (lambda: time_constant_s(1e5, 0.0), "heat loss in W/K"),
        (lambda: steady_temperature_c(math.nan, 1.0, 20.0), "power in W must be a number"),
        (lambda: temperature_after(-1.0, 25.0, 20.0, 1.0), "time in s must be 0 or more"),
        (lambda: temperature_after(1.0, 25.0, 20.0, 0.0), "time constant in s"),
        (lambda: time_to_reach_s(25.0, math.nan, 20.0, 1.0), "target in °C"),
        (lambda: duty_needed(1.0, 25.0, 20.0, 0.0), "heater power in W must be above 0"),
        (lambda: coldest_room_c(1.0, 25.0, -1.0), "heater power in W must be 0 or more"),
        (lambda: mixed_temperature_c([1.0], [20.0, 21.0]), "one temperature for each volume, got 1 and 2"),
        (lambda: mixed_temperature_c([], []), "one temperature for each volume"),
        (lambda: mixed_temperature_c([0.0, 0.0], [20.0, 21.0]), "total mass"),
        (
            lambda: mixed_temperature_c([-1.0, 2.0], [20.0, 21.0]),
            "volume in litres must be 0 or more, got -1",
        ),
    ],
)
def test_nonsense_is_refused_by_name(call: Callable[[], float], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()
