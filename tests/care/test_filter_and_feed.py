"""Filter and feed: against stoichiometry and the handbook's load."""

import math
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tankwatch.care.biofilter import plan_filter
from tankwatch.care.feeding import plan_feed
from tankwatch.care.water_tests import ResultLevel
from tankwatch.errors import UsageError

Row = Callable[[str], Any]


def test_load_area_oxygen_and_alkalinity(check_row: Row) -> None:
    row = check_row("ptan.small")
    plan = plan_filter(
        volume_l=100.0,
        feed_g_per_day=row.inputs["F_g"],
        protein_share=row.inputs["PC"],
        temperature_c=18.0,
        media_m2=1.0,
    )
    assert plan.load_g_tan_per_day * 1000 == pytest.approx(row.expected, rel=0.002)
    assert plan.area_needed_m2 == pytest.approx(check_row("nit.area").expected, rel=0.005)
    assert plan.oxygen_g_per_day / plan.load_g_tan_per_day == pytest.approx(
        check_row("nit.o2").expected, abs=0.005
    )
    per_n = plan.alkalinity_mg_caco3_per_l_day * 100.0 / 1000 / plan.load_g_tan_per_day
    assert per_n == pytest.approx(check_row("nit.alk").expected, abs=0.01)


def test_another_filter_or_more_fish() -> None:
    base: dict[str, Any] = {
        "volume_l": 100.0,
        "feed_g_per_day": 3.0,
        "temperature_c": 25.0,
        "media_m2": 0.2,
    }
    now = plan_filter(**base)
    wider = plan_filter(**base, more_media_m2=0.2)
    fuller = plan_filter(**base, more_feed_g_per_day=3.0)
    assert wider.capacity_g_tan_per_day[0] == pytest.approx(2 * now.capacity_g_tan_per_day[0])
    assert wider.spare_share > now.spare_share > fuller.spare_share
    assert any("between the low and the high rate" in w for w in fuller.warnings)


def test_a_new_filter_counts_in_proportion() -> None:
    young = plan_filter(volume_l=100.0, feed_g_per_day=2.0, temperature_c=25.0, media_m2=1.0, age_weeks=0.0)
    assert young.capacity_g_tan_per_day == (0.0, 0.0)
    assert any("a new filter" in line for line in young.advice)
    assert any("may rise" in line for line in young.warnings)
    assert any("water taken from the tank, never under the tap" in line for line in young.caution)


def test_alkalinity_that_runs_out_is_told() -> None:
    plan = plan_filter(
        volume_l=50.0, feed_g_per_day=3.0, temperature_c=25.0, media_m2=1.0, alkalinity_mg_caco3_per_l=40.0
    )
    assert plan.days_of_alkalinity is not None
    assert plan.days_of_alkalinity == pytest.approx(40.0 / plan.alkalinity_mg_caco3_per_l_day)
    assert any("the pH will fall" in w for w in plan.warnings)


@given(st.floats(0.0, 50.0), st.floats(0.0, 5.0), st.floats(10.0, 30.0), st.sampled_from(list(ResultLevel)))
def test_feed_never_passes_the_filter_nor_the_usual(
    usual_g: float, media_m2: float, t_c: float, level: ResultLevel
) -> None:
    feed = plan_feed(usual_g_per_day=usual_g, media_m2=media_m2, temperature_c=t_c, worst_test=level)
    assert 0.0 <= feed.planned_g <= usual_g
    filter_plan = plan_filter(
        volume_l=100.0, feed_g_per_day=feed.planned_g, temperature_c=t_c, media_m2=media_m2
    )
    assert filter_plan.load_g_tan_per_day <= filter_plan.capacity_g_tan_per_day[0] + 1e-9
    if level is ResultLevel.ACT_NOW:
        assert feed.planned_g == 0.0


def test_nonsense_is_refused_by_name() -> None:
    with pytest.raises(UsageError, match="feed in g/day must be 0 or more, got -1"):
        plan_filter(volume_l=100.0, feed_g_per_day=-1.0, temperature_c=25.0, media_m2=1.0)
    with pytest.raises(UsageError, match="protein as a share must be from 0 to 1, got 45"):
        plan_filter(volume_l=100.0, feed_g_per_day=1.0, temperature_c=25.0, media_m2=1.0, protein_share=45.0)
    with pytest.raises(UsageError, match="media surface in m²"):
        plan_filter(volume_l=100.0, feed_g_per_day=1.0, temperature_c=25.0, media_m2=math.nan)
    with pytest.raises(UsageError, match="usual feed"):
        plan_feed(usual_g_per_day=-1.0, media_m2=1.0, temperature_c=25.0)
