"""Doses and staged filling: by published stoichiometry, within the label, never untreated."""

import math
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tankwatch.care.conditioner import (
    ChemicalDose,
    Conditioner,
    LabelDose,
    dose_for,
    label_maximum_ml,
)
from tankwatch.care.dosing import plan_dose
from tankwatch.care.filling import plan_fill, treated_l
from tankwatch.care.tap_water import Disinfectant, TapWater
from tankwatch.errors import UsageError

Row = Callable[[str], Any]
LABEL = LabelDose(dose_ml=5.0, per_l=40.0)

labels = st.builds(
    LabelDose,
    dose_ml=st.floats(0.5, 20.0),
    per_l=st.floats(5.0, 200.0),
    treats_as_cl2_mg_per_l=st.none() | st.floats(0.5, 8.0),
    maximum_ml_per_l=st.none() | st.floats(0.01, 5.0),
)
chemicals = st.builds(
    ChemicalDose.named,
    st.sampled_from(["thiosulfate", "ascorbic-acid", "sulfite", "metabisulfite"]),
    st.floats(0.5, 1.0),
    st.none() | st.floats(1.0, 500.0),
)
taps = st.builds(TapWater, st.sampled_from(list(Disinfectant)), st.floats(0.1, 10.0))


def test_dose_of_thiosulfate_is_the_published_safe_one(check_row: Row) -> None:
    per_mg = check_row("dechl.thio.tetra").expected
    plan = plan_dose(
        conditioner=ChemicalDose.named("thiosulfate"),
        tank_l=100.0,
        new_l=20.0,
        direct=False,
        tap=TapWater(Disinfectant.CHLORINE, 2.0),
    )
    assert plan.dose.powder_mg == pytest.approx(20.0 * 2.0 * per_mg, rel=0.001)
    assert "S4O6" in " ".join(plan.assumptions)  # which of the three reactions is told
    stock = ChemicalDose.named("thiosulfate", solution_g_per_l=100.0)
    assert dose_for(stock, 20.0, TapWater(Disinfectant.CHLORINE, 2.0)).ml == pytest.approx(2.8, rel=0.001)


def test_a_bucket_or_the_whole_tank() -> None:
    bucket = plan_dose(conditioner=LABEL, tank_l=120.0, new_l=40.0, direct=False)
    direct = plan_dose(conditioner=LABEL, tank_l=120.0, new_l=40.0, direct=True)
    assert bucket.dose.ml == pytest.approx(5.0)
    assert direct.dose.ml == pytest.approx(15.0)
    assert direct.treated_l == 120.0


def test_a_label_that_treats_less_than_the_tap_holds_is_given_more_often() -> None:
    label = LabelDose(5.0, 40.0, treats_as_cl2_mg_per_l=2.0)
    plan = plan_dose(
        conditioner=label, tank_l=120.0, new_l=40.0, direct=False, tap=TapWater(most_as_cl2_mg_per_l=4.0)
    )
    assert plan.dose.ml == pytest.approx(10.0)


def test_ammonia_of_chloramine(check_row: Row) -> None:
    row = check_row("chloramine.uia")
    i = row.inputs
    plan = plan_dose(
        conditioner=LABEL,
        tank_l=100.0,
        new_l=100.0,
        direct=False,
        tap=TapWater(Disinfectant.CHLORAMINE, i["chloramine_Cl2"]),
        ph=i["pH"],
        temperature_c=i["T_C"],
    )
    row.agrees(plan.freed.nh3_mg_per_l / 1.2159)  # the row counts it as N
    assert any("chloramine leaves" in warning for warning in plan.warnings)
    chlorine = plan_dose(
        conditioner=LABEL, tank_l=100.0, new_l=100.0, direct=False, tap=TapWater(Disinfectant.CHLORINE, 3.0)
    )
    assert chlorine.freed.tan_mg_n_per_l == 0.0


def test_chloramine_counted_as_nh2cl_is_not_taken_for_cl2(check_row: Row) -> None:
    limit_nh2cl, as_cl2 = check_row("cl.adwg").expected[1:]
    tap = TapWater.of_chloramine_as_nh2cl(limit_nh2cl)
    assert tap.most_as_cl2_mg_per_l == pytest.approx(as_cl2, abs=0.01)


def test_what_skipping_means_by_the_published_criteria(check_row: Row) -> None:
    acute_ug, chronic_ug = check_row("cl.epa").expected
    plan = plan_dose(
        conditioner=LABEL, tank_l=100.0, new_l=25.0, direct=False, tap=TapWater(most_as_cl2_mg_per_l=2.0)
    )
    assert plan.untreated.as_cl2_mg_per_l == pytest.approx(0.5)
    assert plan.untreated.times_acute == pytest.approx(500 / acute_ug)
    assert plan.untreated.times_chronic == pytest.approx(500 / chronic_ug)
    assert "without it fish would meet 0.5 mg/L of chlorine, 26 times" in " ".join(plan.advice)


def test_the_default_tap_is_the_legal_maximum(check_row: Row) -> None:
    assert TapWater().most_as_cl2_mg_per_l == check_row("cl.mrdl").expected[0]
    assert TapWater().disinfectant is Disinfectant.CHLORAMINE


def test_beyond_the_label_no_dose_and_no_fill_is_advised() -> None:
    label = LabelDose(5.0, 40.0, maximum_ml_per_l=0.2)  # 24 mL a day in 120 L
    plan = plan_dose(conditioner=label, tank_l=120.0, new_l=40.0, direct=True, given_today_ml=12.0)
    assert not plan.within_label
    assert plan.dose.ml == 0.0
    assert plan.running_total_ml == 12.0
    assert "do not dose and do not fill" in plan.advice[0]
    assert "24 mL a day" in plan.warnings[0]


@given(
    labels | chemicals,
    taps,
    st.floats(10.0, 1000.0),
    st.floats(0.0, 1.0),
    st.floats(0.0, 50.0),
    st.booleans(),
)
def test_no_dose_passes_the_label(
    conditioner: Conditioner, tap: TapWater, tank_l: float, share: float, given_ml: float, direct: bool
) -> None:
    plan = plan_dose(
        conditioner=conditioner,
        tank_l=tank_l,
        new_l=share * tank_l,
        direct=direct,
        tap=tap,
        given_today_ml=given_ml,
    )
    maximum_ml = label_maximum_ml(conditioner, tank_l)
    if maximum_ml is not None and plan.dose.ml:
        assert given_ml + plan.dose.ml <= maximum_ml * (1 + 1e-6)
    if plan.within_label:
        assert treated_l(conditioner, plan.dose, tap) >= share * tank_l * (1 - 1e-9) - 1e-9


def test_lifts_from_the_footprint() -> None:
    plan = plan_fill(conditioner=LABEL, tank_l=120.0, fill_l=40.0, footprint_cm2=3000.0)
    assert plan.lift_l == pytest.approx(15.0)  # 3000 cm² x 5 cm
    assert [lift.litres for lift in plan.lifts] == pytest.approx([15.0, 15.0, 10.0])
    assert [lift.dose.ml for lift in plan.lifts] == pytest.approx([15.0] * 3)  # the whole tank, each time
    assert plan.lifts[-1].total_dose.ml == pytest.approx(45.0)
    assert plan.lifts[-1].raise_cm == pytest.approx(10.0 / 3.0)
    assert not plan.warnings


def test_filling_ends_at_the_label_maximum() -> None:
    label = LabelDose(5.0, 40.0, maximum_ml_per_l=0.3)  # 36 mL a day: two doses of 15 mL
    plan = plan_fill(conditioner=label, tank_l=120.0, fill_l=40.0, footprint_cm2=3000.0)
    assert plan.planned_l == pytest.approx(30.0)
    assert "stop after 30.0 of 40 L" in plan.warnings[0]
    none = plan_fill(conditioner=label, tank_l=120.0, fill_l=40.0, footprint_cm2=3000.0, given_today_ml=30.0)
    assert none.lifts == ()
    assert none.planned_l == 0.0


def test_filling_ends_where_the_water_would_move_the_tank_too_far() -> None:
    plan = plan_fill(
        conditioner=LABEL, tank_l=120.0, fill_l=60.0, footprint_cm2=3000.0, water_c=25.0, new_water_c=18.0
    )
    assert 0 < len(plan.lifts) < 4
    assert all(lift.water_c is not None and lift.water_c >= 23.5 for lift in plan.lifts)
    assert "would move the tank by more than 1.5 K" in plan.warnings[0]


def test_a_plain_chemical_is_not_repeated_for_the_whole_tank() -> None:
    plan = plan_fill(
        conditioner=ChemicalDose.named("sulfite"), tank_l=120.0, fill_l=30.0, footprint_cm2=3000.0
    )
    first, second = (lift.dose.powder_mg for lift in plan.lifts)
    assert first == pytest.approx(120 * 4.0 * 1.96)
    assert second == pytest.approx(15 * 4.0 * 1.96)
    assert any("Sulfites take oxygen" in line for line in plan.caution)


@given(
    labels | chemicals,
    taps,
    st.floats(10.0, 1000.0),
    st.floats(0.0, 1.0),
    st.floats(0.5, 50.0),
    st.floats(0.0, 100.0),
)
def test_filling_never_leaves_untreated_water_nor_passes_the_label(
    conditioner: Conditioner, tap: TapWater, tank_l: float, share: float, lift_cm: float, given_ml: float
) -> None:
    plan = plan_fill(
        conditioner=conditioner,
        tank_l=tank_l,
        fill_l=share * tank_l,
        footprint_cm2=max(1.0, tank_l * 1000 / 40),  # 40 cm deep
        lift_cm=lift_cm,
        tap=tap,
        given_today_ml=given_ml,
    )
    covered_l = 0.0
    for lift in plan.lifts:
        covered_l += treated_l(conditioner, lift.dose, tap)
        assert lift.filled_l <= covered_l * (1 + 1e-9)
        maximum_ml = label_maximum_ml(conditioner, tank_l)
        if maximum_ml is not None:
            assert (lift.total_dose.ml or 0.0) <= maximum_ml * (1 + 1e-6)
    assert plan.planned_l == pytest.approx(sum(lift.litres for lift in plan.lifts), abs=1e-9)
    assert plan.planned_l <= share * tank_l + 1e-9
    if not plan.warnings:
        assert plan.planned_l == pytest.approx(share * tank_l, abs=1e-6)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"tank_l": 0.0}, "tank volume in litres must be above 0"),
        ({"new_l": -1.0}, "new water in litres must be from 0 to 100, got -1"),
        ({"new_l": 200.0}, "new water in litres must be from 0 to 100, got 200"),
        ({"new_l": math.nan}, "new water in litres"),
        ({"ph": 15.0}, "pH must be from 0 to 14, got 15"),
        ({"given_today_ml": -1.0}, "given today in mL"),
        ({"tap": TapWater(most_as_cl2_mg_per_l=400.0)}, "highest chlorine as Cl2"),
        ({"conditioner": LabelDose(0.0, 40.0)}, "label dose in mL"),
        ({"conditioner": LabelDose(5.0, -40.0)}, "litres that the label dose is for"),
        ({"conditioner": LabelDose(5.0, 40.0, maximum_ml_per_l=0.0)}, "label maximum"),
        ({"conditioner": ChemicalDose.named("thiosulfate", purity=98.0)}, "purity as a share"),
        ({"conditioner": ChemicalDose.named("thiosulfate", solution_g_per_l=0.0)}, "stock solution in g/L"),
    ],
)
def test_nonsense_doses_are_refused_by_name(options: dict[str, Any], words: str) -> None:
    given_options: dict[str, Any] = {
        "conditioner": LABEL,
        "tank_l": 100.0,
        "new_l": 20.0,
        "direct": False,
    } | options
    with pytest.raises(UsageError, match=words):
        plan_dose(**given_options)


def test_unknown_chemicals_and_sizes_are_refused_by_name() -> None:
    with pytest.raises(UsageError, match="unknown chemical 'salt'; expected one of: ascorbic-acid"):
        ChemicalDose.named("salt")
    with pytest.raises(UsageError, match="footprint in cm²"):
        plan_fill(conditioner=LABEL, tank_l=100.0, fill_l=20.0, footprint_cm2=0.0)
    with pytest.raises(UsageError, match=r"lift in cm must be from 0\.5 to 50, got 0"):
        plan_fill(conditioner=LABEL, tank_l=100.0, fill_l=20.0, footprint_cm2=3000.0, lift_cm=0.0)
    with pytest.raises(UsageError, match="water to fill in litres must be from 0 to 100"):
        plan_fill(conditioner=LABEL, tank_l=100.0, fill_l=120.0, footprint_cm2=3000.0)
