"""The heater plan: against the worked tank, the steady state and its own limits."""

import math
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tankwatch.care.heater import MARGIN, plan_heater
from tankwatch.errors import UsageError
from tankwatch.physics.tank_loss import TankShape

Row = Callable[[str], Any]
SHAPE = TankShape(length_cm=60.0, width_cm=30.0, water_height_cm=36.0)


def test_watts_of_the_worked_tank(check_row: Row) -> None:
    row = check_row("tank.total")
    plan = plan_heater(volume_l=64.8, setpoint_c=25.0, coldest_room=20.0, shape=SHAPE)
    row.agrees(*plan.needed_w)
    assert plan.recommended_w == pytest.approx(plan.needed_w[1] * 1.25)
    assert "An estimate from handbook values" in " ".join(plan.caution)


def test_fitted_loss_with_its_uncertainty() -> None:
    plan = plan_heater(
        volume_l=120.0,
        setpoint_c=25.0,
        coldest_room=15.0,
        room_now_c=20.0,
        heater_w=150.0,
        loss_w_per_k=6.0,
        loss_uncertainty_w_per_k=0.5,
        high_c=28.0,
    )
    assert plan.loss_w_per_k == pytest.approx((5.0, 7.0))
    assert plan.needed_w == pytest.approx((50.0, 70.0))
    assert plan.duty_now == pytest.approx((25 / 150, 35 / 150))
    assert plan.margin == pytest.approx(1 - 70 / 150)
    assert plan.one_heater.one_stuck_c == pytest.approx(20.0 + 150 / 5.0)
    assert plan.two_heaters.one_stuck_c == pytest.approx(20.0 + 75 / 5.0)
    assert plan.one_heater.one_stuck_minutes_to_high is not None
    assert plan.two_heaters.one_stuck_minutes_to_high is not None
    assert plan.two_heaters.one_stuck_minutes_to_high > plan.one_heater.one_stuck_minutes_to_high
    assert plan.two_heaters.coldest_room_one_dead_c == pytest.approx(25.0 - 75 / 7.0)
    assert plan.one_heater.coldest_room_one_dead_c == pytest.approx(25.0)  # one dead of one: no heat
    assert any("stuck on would pass 28 °C" in line for line in plan.warnings)


def test_two_small_heaters_may_never_reach_the_limit() -> None:
    plan = plan_heater(
        volume_l=60.0, setpoint_c=25.0, coldest_room=15.0, heater_w=100.0, loss_w_per_k=8.0, high_c=27.0
    )
    assert plan.one_heater.one_stuck_c == pytest.approx(27.5)
    assert plan.one_heater.one_stuck_minutes_to_high is not None
    assert math.isfinite(plan.one_heater.one_stuck_minutes_to_high)
    assert plan.two_heaters.one_stuck_c == pytest.approx(21.25)  # 15 + 50 / 8
    assert plan.two_heaters.one_stuck_minutes_to_high == math.inf
    assert "against never" in " ".join(plan.advice)


def test_a_weak_heater_and_a_small_margin_are_told() -> None:
    weak = plan_heater(volume_l=100.0, setpoint_c=25.0, coldest_room=10.0, heater_w=50.0, loss_w_per_k=6.0)
    assert weak.margin is not None
    assert weak.margin < 0
    assert "cannot hold 25 °C in a room of 10 °C" in weak.warnings[0]
    tight = plan_heater(volume_l=100.0, setpoint_c=25.0, coldest_room=10.0, heater_w=95.0, loss_w_per_k=6.0)
    assert "is spare in the coldest room" in tight.warnings[0]


@given(st.floats(0.5, 40.0), st.floats(20.0, 30.0), st.floats(1.0, 18.0))
def test_the_recommended_heater_holds_the_coldest_room_with_the_margin(
    loss: float, setpoint_c: float, difference_k: float
) -> None:
    coldest = setpoint_c - difference_k
    plan = plan_heater(volume_l=100.0, setpoint_c=setpoint_c, coldest_room=coldest, loss_w_per_k=loss)
    again = plan_heater(
        volume_l=100.0,
        setpoint_c=setpoint_c,
        coldest_room=coldest,
        loss_w_per_k=loss,
        heater_w=max(1.0, plan.recommended_w),
    )
    assert not [w for w in again.warnings if "spare" in w or "cannot hold" in w]
    assert again.one_heater.duty_in_coldest_room <= 1 / (1 + MARGIN) + 1e-9
    assert again.one_heater.coldest_room_c <= coldest + 1e-9


def test_nonsense_is_refused_by_name() -> None:
    with pytest.raises(UsageError, match="give the fitted loss in W/K, or the tank's length"):
        plan_heater(volume_l=100.0, setpoint_c=25.0, coldest_room=15.0)
    with pytest.raises(UsageError, match="no heater is needed"):
        plan_heater(volume_l=100.0, setpoint_c=25.0, coldest_room=25.0, loss_w_per_k=5.0)
    with pytest.raises(UsageError, match="tank volume in litres must be above 0, got -100"):
        plan_heater(volume_l=-100.0, setpoint_c=25.0, coldest_room=15.0, loss_w_per_k=5.0)
    with pytest.raises(UsageError, match="heater power in W"):
        plan_heater(volume_l=100.0, setpoint_c=25.0, coldest_room=15.0, loss_w_per_k=5.0, heater_w=0.0)
    with pytest.raises(UsageError, match="tank width in cm"):
        plan_heater(volume_l=100.0, setpoint_c=25.0, coldest_room=15.0, shape=TankShape(60.0, 0.0, 30.0))
    with pytest.raises(UsageError, match="setpoint in °C"):
        plan_heater(volume_l=100.0, setpoint_c=math.nan, coldest_room=15.0, loss_w_per_k=5.0)
