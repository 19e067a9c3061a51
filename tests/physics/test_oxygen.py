"""Oxygen saturation against EN 25814, Benson and Krause, and the standard atmosphere."""

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tankwatch.physics.oxygen import (
    HUSBANDRY_MINIMUM_MG_PER_L,
    STANDARD_ATMOSPHERE_PA,
    air_pressure_pa,
    non_ideality_per_atm,
    oxygen_saturation_mg_per_l,
)

Row = Callable[[str], Any]


@pytest.mark.parametrize("name", ["do.en25814", "do.bk.0_35", "do.tw34"])
def test_saturation_at_sea_level(check_row: Row, name: str) -> None:
    # do.bk.0_35: Standard Methods table, value from memory; the other two are printed.
    row = check_row(name)
    row.agrees(*[oxygen_saturation_mg_per_l(t) for t in row.inputs["T_C"]])


@pytest.mark.parametrize("mmhg", [760, 740, 720, 700, 650])
def test_saturation_at_lower_pressure(check_row: Row, mmhg: int) -> None:
    row = check_row(f"do.press.{mmhg}")
    pa = mmhg / 760 * STANDARD_ATMOSPHERE_PA
    row.agrees(*[oxygen_saturation_mg_per_l(t, pa) for t in row.inputs["T_C"]])


def test_theta_in_either_form(check_row: Row) -> None:
    row = check_row("do.theta.forms")
    row.agrees(*[non_ideality_per_atm(t) for t in row.inputs["T_C"]])
    in_kelvin = [9.672e-3 - 4.942e-5 * (t + 273.15) + 6.436e-8 * (t + 273.15) ** 2 for t in row.inputs["T_C"]]
    row.agrees(*in_kelvin)


@pytest.mark.parametrize("altitude_m", [500, 1000, 1500, 2000])
def test_standard_atmosphere(check_row: Row, altitude_m: int) -> None:
    check_row(f"atm.{altitude_m}").agrees(air_pressure_pa(altitude_m))


def test_altitude_factor_of_a_state_agency(check_row: Row) -> None:
    row = check_row("do.alt.oregon")
    row.agrees(air_pressure_pa(row.inputs["altitude_m"]) / STANDARD_ATMOSPHERE_PA)


def test_husbandry_minimum(check_row: Row) -> None:
    assert check_row("temp.zebra").expected[3] == HUSBANDRY_MINIMUM_MG_PER_L


@given(st.floats(0.0, 38.0), st.floats(0.1, 2.0), st.floats(0.0, 3000.0))
def test_warmer_or_higher_holds_less(t_c: float, step_k: float, altitude_m: float) -> None:
    here = oxygen_saturation_mg_per_l(t_c, air_pressure_pa(altitude_m))
    assert oxygen_saturation_mg_per_l(t_c + step_k, air_pressure_pa(altitude_m)) < here
    assert oxygen_saturation_mg_per_l(t_c, air_pressure_pa(altitude_m + 100.0)) < here


def test_nonsense_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="water temperature in °C must be from 0 to 40, got 50"):
        oxygen_saturation_mg_per_l(50.0)
    with pytest.raises(ValueError, match="air pressure in Pa must be from 20000 to 120000, got 1013"):
        oxygen_saturation_mg_per_l(20.0, 1013.0)  # hPa where Pa is meant
    with pytest.raises(ValueError, match="altitude in m"):
        air_pressure_pa(20_000.0)
