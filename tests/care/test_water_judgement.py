"""Water tests, ammonia and oxygen plans: against the criteria and tables that they name."""

import math
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tankwatch.care.ammonia import plan_ammonia
from tankwatch.care.oxygen import plan_oxygen
from tankwatch.care.trend import days_to_limit, trend_per_day
from tankwatch.care.water_tests import (
    ResultLevel,
    WaterTest,
    judge,
    worst,
)
from tankwatch.errors import UsageError
from tankwatch.physics.hardness import (
    CACO3_MG_PER_MEQ,
    caco3_mg_per_l_from_degrees,
    caco3_mg_per_l_from_mmol_per_l,
)
from tankwatch.physics.nitrogen import NitrogenUnit

Row = Callable[[str], Any]


def _level(test: WaterTest, quantity: str, previous: WaterTest | None = None) -> ResultLevel:
    return next(f.level for f in judge(test, previous=previous).findings if f.quantity == quantity)


def test_worked_example_of_ammonia(check_row: Row) -> None:
    row = check_row("nh3.example.fa16")
    i = row.inputs
    plan = plan_ammonia(ammonia_mg_per_l=i["TAN_mgL"], ph=i["pH"], temperature_c=i["T_C"])
    row.agrees(plan.nh3_mg_n_per_l)
    assert plan.nh3_mg_per_l == pytest.approx(plan.nh3_mg_n_per_l * 1.2159, rel=1e-4)
    assert len(plan.criteria) == 5
    assert "US EPA 2013, thirty days" in "\n".join(plan.lines())


def test_units_of_a_kit_matter() -> None:
    as_n = plan_ammonia(ammonia_mg_per_l=1.0, ph=8.0, temperature_c=25.0)
    as_nh4 = plan_ammonia(ammonia_mg_per_l=1.0, ph=8.0, temperature_c=25.0, unit=NitrogenUnit.NH4)
    assert as_n.tan_mg_n_per_l / as_nh4.tan_mg_n_per_l == pytest.approx(1.2879, abs=0.0002)


@pytest.mark.parametrize(
    ("ammonia", "ph", "level"),
    [
        (0.0, 7.0, ResultLevel.FINE),
        (0.5, 6.5, ResultLevel.WATCH),  # far under every criterion, but a ripe filter leaves none
        (0.5, 8.0, ResultLevel.ACT_TODAY),  # un-ionised above 0.02 mg/L
        (1.5, 8.0, ResultLevel.ACT_NOW),  # above 2.5 x 0.563, EPA four-day
        (3.0, 8.0, ResultLevel.ACT_NOW),  # above 2.58, EPA one-hour
    ],
)
def test_ammonia_levels_at_25_c(ammonia: float, ph: float, level: ResultLevel) -> None:
    assert _level(WaterTest(25.0, ph, ammonia), "ammonia") is level


def test_ammonia_without_ph_is_taken_on_the_safe_side() -> None:
    assert _level(WaterTest(25.0, None, 0.5), "ammonia") is ResultLevel.ACT_TODAY
    assert judge(WaterTest(25.0, None, 0.5)).nh3_mg_per_l is None


@given(st.floats(0.0, 20.0), st.floats(5.0, 10.0), st.floats(10.0, 35.0))
def test_more_ammonia_never_judges_milder(ammonia: float, ph: float, t_c: float) -> None:
    mild = _level(WaterTest(t_c, ph, ammonia), "ammonia")
    assert _level(WaterTest(t_c, ph, ammonia * 1.5 + 0.1), "ammonia").rank >= mild.rank


def test_nitrite_nitrate_ph_alkalinity_oxygen() -> None:
    # Nitrate 3.0 and 32.8 mg/L as N: Meays 2009, British Columbia Ministry of Environment.
    assert _level(WaterTest(25.0, nitrate_mg_per_l=13.0), "nitrate") is ResultLevel.FINE  # 2.9 as N
    assert _level(WaterTest(25.0, nitrate_mg_per_l=14.0), "nitrate") is ResultLevel.WATCH  # 3.2 as N
    assert _level(WaterTest(25.0, nitrate_mg_per_l=60.0), "nitrate") is ResultLevel.ACT_TODAY
    assert _level(WaterTest(25.0, nitrite_mg_per_l=0.0), "nitrite") is ResultLevel.FINE
    assert _level(WaterTest(25.0, nitrite_mg_per_l=0.3), "nitrite") is ResultLevel.ACT_TODAY
    assert _level(WaterTest(25.0, nitrite_mg_per_l=2.0), "nitrite") is ResultLevel.ACT_NOW
    assert _level(WaterTest(25.0, 5.5), "pH") is ResultLevel.ACT_TODAY
    assert _level(WaterTest(25.0, 7.5), "pH", WaterTest(25.0, 6.9)) is ResultLevel.ACT_TODAY
    assert _level(WaterTest(25.0, 7.4), "pH", WaterTest(25.0, 6.9)) is ResultLevel.FINE  # exactly 0.5
    assert _level(WaterTest(25.0, alkalinity_mg_caco3_per_l=20.0), "alkalinity") is ResultLevel.WATCH
    assert _level(WaterTest(25.0, hardness_mg_caco3_per_l=150.0), "hardness") is ResultLevel.FINE
    assert _level(WaterTest(25.0, oxygen_mg_per_l=5.0), "oxygen") is ResultLevel.ACT_TODAY
    assert _level(WaterTest(25.0, oxygen_mg_per_l=3.0), "oxygen") is ResultLevel.ACT_NOW
    assert worst([]) is ResultLevel.FINE


def test_what_to_do_first_is_air_then_water_then_feed() -> None:
    steps = judge(WaterTest(28.0, 8.0, 2.0, oxygen_mg_per_l=4.5, nitrite_mg_per_l=1.0)).first
    assert steps[0].startswith("aerate now")
    assert "change water" in steps[1]
    assert "feed" in steps[2]
    assert steps[-1] == "test again tomorrow"
    assert judge(WaterTest(25.0, 7.0, 0.0)).first == ()


def test_trend_and_days_to_limit() -> None:
    day = 86_400.0
    results = [(0.0, 10.0), (7 * day, 17.0), (14 * day, 24.0)]
    assert trend_per_day(results) == pytest.approx(1.0)
    assert days_to_limit(results, 50.0) == pytest.approx(26.0)
    assert days_to_limit([(t, -v) for t, v in results], 50.0) is None
    assert trend_per_day(results[:2]) is None
    assert trend_per_day([(0.0, 1.0)] * 3) is None


def test_oxygen_of_a_warm_night(check_row: Row) -> None:
    table = dict(zip(check_row("do.en25814").inputs["T_C"], check_row("do.en25814").expected, strict=True))
    plan = plan_oxygen(temperature_c=25.0, warm_night_k=4.0)
    assert plan.saturation_mg_per_l == pytest.approx(table[25], abs=0.0065)
    assert plan.warm_saturation_mg_per_l == pytest.approx(table[29], abs=0.0065)
    low, high = check_row("q10.grasscarp").expected[2:4]
    assert plan.demand_factor == pytest.approx((low**0.4, high**0.4))
    high_up = plan_oxygen(temperature_c=30.0, altitude_m=2000.0, measured_mg_per_l=4.0)
    assert any("even saturated" in w for w in high_up.warnings)
    assert any("aerate now" in w for w in high_up.warnings)
    assert high_up.measured_share == pytest.approx(4.0 / high_up.saturation_mg_per_l)


def test_units_of_hardness() -> None:
    # 1 °dH is 10 mg/L CaO: 17.848 mg/L CaCO3 and 0.1783 mmol/L; value from memory, from the molar masses.
    assert caco3_mg_per_l_from_degrees(1.0) == pytest.approx(17.848, abs=0.002)
    assert caco3_mg_per_l_from_mmol_per_l(0.1783) == pytest.approx(17.85, abs=0.01)
    assert pytest.approx(50.04, abs=0.01) == CACO3_MG_PER_MEQ
    with pytest.raises(ValueError, match="hardness in degrees"):
        caco3_mg_per_l_from_degrees(-1.0)


@pytest.mark.parametrize(
    ("test", "words"),
    [
        (WaterTest(25.0, 15.0), "pH must be from 0 to 14, got 15"),
        (WaterTest(25.0, 7.0, -0.1), "ammonia in mg/L must be from 0"),
        (WaterTest(25.0, 7.0, math.nan), "ammonia in mg/L"),
        (WaterTest(99.0), "water temperature in °C must be from 0 to 40, got 99"),
        (WaterTest(25.0, nitrite_mg_per_l=-1.0), "nitrite in mg/L"),
        (WaterTest(25.0, 7.0, 1.0, NitrogenUnit.NO3), "ammonia is counted as N or NH3 or NH4, not as NO3"),
        (WaterTest(25.0, altitude_m=99_999.0), "altitude in m"),
    ],
)
def test_nonsense_is_refused_by_name(test: WaterTest, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        judge(test)


def test_nonsense_plans_are_refused_by_name() -> None:
    with pytest.raises(UsageError, match="pH must be from 0 to 14, got 15"):
        plan_ammonia(ammonia_mg_per_l=1.0, ph=15.0, temperature_c=25.0)
    with pytest.raises(UsageError, match="warm night in °C must be from 0 to 40"):
        plan_oxygen(temperature_c=38.0, warm_night_k=5.0)
    with pytest.raises(UsageError, match="measured oxygen"):
        plan_oxygen(temperature_c=25.0, measured_mg_per_l=-1.0)
