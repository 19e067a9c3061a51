"""Ammonia from feed and its turnover against stoichiometry and aquaculture handbooks."""

import math
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tankwatch.physics import nitrification as nit

Row = Callable[[str], Any]


def test_oxygen_and_alkalinity_by_stoichiometry(check_row: Row) -> None:
    check_row("nit.o2").agrees(nit.OXYGEN_G_PER_G_N)
    check_row("nit.o2.steps").agrees(nit.OXYGEN_TO_NITRITE_G_PER_G_N, nit.OXYGEN_TO_NITRATE_G_PER_G_N)
    check_row("nit.alk").agrees(nit.ALKALINITY_G_CACO3_PER_G_N)
    # Gujer and Jenkins 1974: growth of the bacteria takes a part, so the stoichiometry is the safe side.
    assert check_row("nit.o2.growth").expected[2] < nit.OXYGEN_G_PER_G_N


def test_ammonia_from_feed(check_row: Row) -> None:
    check_row("ptan.factor").agrees(nit.TAN_SHARE_OF_PROTEIN)  # value from memory
    row = check_row("ptan")
    assert nit.tan_g_per_day(row.inputs["F_kg"] * 1000, row.inputs["PC"]) / 1000 == pytest.approx(
        row.expected,
        rel=0.002,  # the handbook rounds 0.09216 to 0.092
    )
    row = check_row("ptan.small")
    assert nit.tan_g_per_day(row.inputs["F_g"], row.inputs["PC"]) * 1000 == pytest.approx(
        row.expected, rel=0.002
    )


def test_media_area(check_row: Row) -> None:
    row = check_row("nit.area")
    row.agrees(nit.media_area_m2(row.inputs["P_mg_day"] / 1000, row.inputs["rate"]))


def test_areal_rates(check_row: Row) -> None:
    expected = check_row("nit.rate.design").expected  # values from memory
    assert nit.areal_rate_range_g_per_m2_day(18.0) == pytest.approx(tuple(expected[:2]))
    assert nit.areal_rate_range_g_per_m2_day(27.0) == pytest.approx(tuple(expected[2:]))
    # The loads of a fluidised-bed test (Sandu) are of the cool range: applied loads, not the most it can do.
    low, high = nit.areal_rate_range_g_per_m2_day(20.0)
    assert all(low * 0.85 <= mg / 1000 <= high for mg in check_row("nit.rate.tested").expected)
    tested = max(check_row("nit.rate.tested").expected) / 1000
    assert tested == nit.TESTED_AREAL_RATE_G_PER_M2_DAY
    assert nit.careful_rate_g_per_m2_day(28.0) == tested
    assert nit.careful_rate_g_per_m2_day(18.0) == pytest.approx(expected[0])


@given(st.floats(0.0, 34.0), st.floats(0.01, 1.0))
def test_warmth_never_slows_the_filter(t_c: float, step_k: float) -> None:
    low, high = nit.areal_rate_range_g_per_m2_day(t_c)
    warm_low, warm_high = nit.areal_rate_range_g_per_m2_day(t_c + step_k)
    assert 0.0 < low < high
    assert low <= warm_low
    assert high <= warm_high


def test_nonsense_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="protein as a share must be from 0 to 1, got 45"):
        nit.tan_g_per_day(1.0, 45.0)
    with pytest.raises(ValueError, match="feed in g/day"):
        nit.tan_g_per_day(-1.0, 0.45)
    with pytest.raises(ValueError, match="areal rate"):
        nit.media_area_m2(1.0, 0.0)
    with pytest.raises(ValueError, match="water temperature"):
        nit.areal_rate_range_g_per_m2_day(math.nan)
