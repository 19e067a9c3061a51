"""Changes of water and what they dilute: against the balance of mass and heat."""

import math
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tankwatch.care.change import largest_share_by_temperature, plan_change
from tankwatch.care.dilution import after_changes, changes_to_reach, plan_dilution, steady_state
from tankwatch.care.season import ChangeShares, Season, season_of
from tankwatch.errors import UsageError
from tankwatch.physics.thermal import heat_capacity_j_per_k, mixed_temperature_c

Row = Callable[[str], Any]
ANY_SHARE = ChangeShares(1.0, 1.0, 1.0, 1.0, 1.0, 1.0)


def test_mixed_temperature_of_a_change(check_row: Row) -> None:
    row = check_row("mix.80_20")
    (old_l, new_l), (old_c, new_c) = row.inputs["V_L"], row.inputs["T_C"]
    plan = plan_change(
        volume_l=old_l + new_l, water_c=old_c, new_water_c=new_c, share=0.2, limit_k=5.0, shares=ANY_SHARE
    )
    row.agrees(plan.mixed_c)
    assert plan.planned_share == 0.2
    assert plan.drop_k == pytest.approx(old_c - plan.mixed_c)


def test_dilution_over_changes_and_steady_state(check_row: Row) -> None:
    row = check_row("dilute.3x25")
    i = row.inputs
    row.agrees(after_changes(i["c0"], i["fraction"], i["n"]))
    row = check_row("dilute.tap")
    i = row.inputs
    steady = steady_state(i["a_per_interval"], i["fraction"], i["c_tap"])
    row.agrees(steady.after_change)
    assert steady.before_change == pytest.approx(45.0)


@given(st.floats(0.0, 500.0), st.floats(0.05, 0.95), st.floats(0.0, 50.0), st.floats(0.0, 50.0))
def test_a_routine_ends_in_its_steady_state(start: float, share: float, tap: float, added: float) -> None:
    steady = steady_state(added, share, tap)
    assert after_changes(start, share, 600, tap, added) == pytest.approx(steady.after_change, abs=1e-6)
    assert after_changes(steady.before_change, share, 1, tap) == pytest.approx(steady.after_change, abs=1e-9)


@given(st.floats(1.0, 500.0), st.floats(0.01, 0.99), st.floats(0.05, 0.95), st.floats(0.0, 0.9))
def test_changes_to_reach_are_enough_and_not_one_too_many(
    start: float, down: float, share: float, tap_part: float
) -> None:
    target = start * down
    tap = target * tap_part
    changes = changes_to_reach(start, target, share, tap)
    assert after_changes(start, share, changes, tap) <= target * (1 + 1e-6)
    assert after_changes(start, share, changes - 1, tap) >= target * (1 - 1e-6)


def test_dilution_plan_tells_its_working() -> None:
    plan = plan_dilution(
        now_mg_per_l=40.0,
        share=0.25,
        tap_mg_per_l=5.0,
        added_per_interval_mg_per_l=10.0,
        target_mg_per_l=25.0,
    )
    assert plan.after_one_mg_per_l == pytest.approx(31.25)
    assert plan.changes_to_target == 2  # 31.25, then 24.69
    assert "between 35.0 and 45.0 mg/L" in "\n".join(plan.lines())
    with pytest.raises(UsageError, match="cannot be reached with tap water that holds 30"):
        plan_dilution(now_mg_per_l=40.0, share=0.25, tap_mg_per_l=30.0, target_mg_per_l=25.0)


@given(
    st.floats(5.0, 1000.0),
    st.floats(15.0, 32.0),
    st.floats(3.0, 45.0),
    st.floats(0.0, 1.0),
    st.floats(0.2, 4.0),
    st.sampled_from(list(Season)),
)
def test_no_plan_goes_beyond_a_limit(
    volume_l: float, water_c: float, new_c: float, share: float, limit_k: float, season: Season
) -> None:
    low_c, high_c = water_c - 1.0, water_c + 2.0
    plan = plan_change(
        volume_l=volume_l,
        water_c=water_c,
        new_water_c=new_c,
        share=share,
        limit_k=limit_k,
        low_c=low_c,
        high_c=high_c,
        season=season,
    )
    assert plan.planned_share <= min(share, ChangeShares().most(season))
    assert abs(plan.drop_k) <= limit_k + 1e-9
    assert low_c - 1e-9 <= plan.mixed_c <= high_c + 1e-9
    # Heat balance: what the tank lost is what the heater has to bring back.
    assert plan.heat_kj * 1000 == pytest.approx(
        max(0.0, heat_capacity_j_per_k(volume_l, water_c) * plan.drop_k), abs=1e-6
    )
    if plan.changes_needed > 1 and share < 1.0:
        assert 1 - (1 - plan.planned_share) ** plan.changes_needed >= share - 1e-9
    # The range of new water that the plan asks for keeps the asked share within the limits.
    if share > 0.05:
        for needed_c in plan.new_water_needed_c:
            mixed_c = mixed_temperature_c([(1 - share) * volume_l, share * volume_l], [water_c, needed_c])
            assert abs(mixed_c - water_c) <= limit_k + 1e-6


@given(st.floats(10.0, 30.0), st.floats(2.0, 60.0), st.floats(0.1, 5.0))
def test_the_largest_share_moves_the_tank_by_the_limit(water_c: float, new_c: float, limit_k: float) -> None:
    share = largest_share_by_temperature(water_c, new_c, limit_k)
    moved_k = abs(mixed_temperature_c([1.0 - share, share], [water_c, new_c]) - water_c)
    assert moved_k <= limit_k + 1e-9
    if share < 1.0:
        assert moved_k == pytest.approx(limit_k, abs=1e-9)


def test_recovery_by_the_fitted_model() -> None:
    plan = plan_change(
        volume_l=100.0,
        water_c=25.0,
        new_water_c=20.0,
        share=0.3,
        limit_k=2.0,
        season=Season.SUMMER,
        heater_w=150.0,
        loss_w_per_k=5.0,
        room_c=20.0,
    )
    # Without any loss 1.5 K of 416.9 kJ/K at 150 W would take 69.5 min; at 25 W of loss it takes longer.
    assert plan.recovery_min == pytest.approx(69.5 * 150 / 125, rel=0.05)
    assert plan.recovery_min is not None
    assert plan.recovery_min > 69.5
    weak = plan_change(
        volume_l=100.0, water_c=25.0, new_water_c=20.0, heater_w=20.0, loss_w_per_k=5.0, room_c=20.0
    )
    assert weak.recovery_min == math.inf
    assert any("cannot bring the tank back" in line for line in weak.warnings)


def test_a_large_cold_change_is_cut_and_told() -> None:
    plan = plan_change(volume_l=120.0, water_c=25.0, new_water_c=15.0, share=0.4, season=Season.SUMMER)
    assert plan.planned_share == pytest.approx(0.15, abs=0.001)
    assert plan.changes_needed == 4
    assert "40 % at once is too much for this new water" in plan.warnings[0]
    assert plan.new_water_needed_c == (21.3, 28.7)  # 25 ± 1.5 / 0.4, rounded inwards


def test_the_season_limits_the_share_too() -> None:
    plan = plan_change(volume_l=120.0, water_c=25.0, new_water_c=25.0, share=0.5, season=Season.WINTER)
    assert plan.planned_share == ChangeShares().winter_most
    assert "the season (winter)" in plan.warnings[0]
    usual = plan_change(volume_l=120.0, water_c=25.0, new_water_c=25.0, season=Season.SUMMER)
    assert usual.planned_share == 0.40


def test_limits_are_configuration_and_stricter_than_the_published_handling_limit(check_row: Row) -> None:
    # Nearly no figure is published: LSU AgCenter lets pond fingerlings fall 2.8 K in half an hour.
    fall_k = check_row("temp.lsu").expected[2]
    plan = plan_change(volume_l=100.0, water_c=25.0, new_water_c=10.0, share=0.4)
    assert plan.drop_k < fall_k
    own = plan_change(
        volume_l=100.0, water_c=25.0, new_water_c=10.0, share=0.4, limit_k=fall_k, shares=ANY_SHARE
    )
    assert own.drop_k == pytest.approx(fall_k, abs=1e-6)
    assert any("common practice, no published source" in line for line in plan.assumptions)


def test_taps_are_mixed_to_the_tank() -> None:
    plan = plan_change(volume_l=50.0, water_c=25.0, new_water_c=25.0, hot_tap_c=60.0, cold_tap_c=12.0)
    assert plan.hot_tap_share == pytest.approx(13 / 48)


def test_every_plan_has_assumptions_working_and_caution() -> None:
    plan = plan_change(volume_l=50.0, water_c=25.0, new_water_c=22.0)
    text = "\n".join(plan.lines())
    assert plan.assumptions
    assert "mean weighted by mass" in text
    assert "unplug heater, light and pump before hands go in" in text
    assert plan.as_dict()["planned_l"] == plan.planned_l


@pytest.mark.parametrize(
    ("month", "north", "south"),
    [
        (1, Season.WINTER, Season.SUMMER),
        (7, Season.SUMMER, Season.WINTER),
        (12, Season.WINTER, Season.SUMMER),
        (4, Season.BETWEEN, Season.BETWEEN),
        (10, Season.BETWEEN, Season.BETWEEN),
    ],
)
def test_seasons(month: int, north: Season, south: Season) -> None:
    assert season_of(month, "north") is north
    assert season_of(month, "south") is south


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"volume_l": -5.0}, "tank volume in litres must be above 0, got -5"),
        ({"share": 2.0}, "share changed must be from 0 to 1, got 2"),
        ({"share": math.nan}, "share changed"),
        ({"water_c": 99.0}, "water temperature in °C must be from 0 to 45, got 99"),
        ({"new_water_c": math.nan}, "new water in °C"),
        ({"limit_k": 0.0}, "limit of change in K must be above 0"),
        ({"low_c": 26.0}, "below its low limit"),
        ({"high_c": 24.0}, "above its high limit"),
        ({"heater_w": -1.0, "loss_w_per_k": 5.0, "room_c": 20.0}, "heater power in W"),
        ({"hot_tap_c": 20.0, "cold_tap_c": 10.0}, "target in °C must be from 10 to 20"),
        ({"shares": ChangeShares(summer_usual=0.9)}, "usual share in summer"),
    ],
)
def test_nonsense_is_refused_by_name(options: dict[str, Any], words: str) -> None:
    given_options: dict[str, Any] = {"volume_l": 100.0, "water_c": 25.0, "new_water_c": 20.0} | options
    with pytest.raises(UsageError, match=words):
        plan_change(**given_options)


def test_nonsense_in_the_other_sums_is_refused() -> None:
    with pytest.raises(UsageError, match="month must be from 1 to 12, got 13"):
        season_of(13, "north")
    with pytest.raises(UsageError, match="hemisphere must be north or south"):
        season_of(1, "east")  # type: ignore[arg-type]
    with pytest.raises(UsageError, match="above 0 and at most 1, got 0"):
        steady_state(10.0, 0.0)
    with pytest.raises(UsageError, match="number of changes"):
        after_changes(10.0, 0.5, -1)
