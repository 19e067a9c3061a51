"""Breathing by Q10 against published rates; exact Poisson intervals against Garwood and scipy."""

import math
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2, poisson

from tankwatch.physics.counting import poisson_interval, poisson_tail_at_least, poisson_tail_at_most
from tankwatch.physics.respiration import GILL_BEAT_Q10, q10_of, rate_at

Row = Callable[[str], Any]


def test_q10_of_published_oxygen_use(check_row: Row) -> None:
    row = check_row("q10.hopkins")
    t, r = row.inputs["T_C"], row.inputs["rate"]
    pairs = [(0, 1), (1, 2), (2, 3), (0, 3)]
    row.agrees(*[q10_of(r[a], t[a], r[b], t[b]) for a, b in pairs])


def test_range_of_the_gill_beat(check_row: Row) -> None:
    assert tuple(check_row("q10.grasscarp").expected[:2]) == GILL_BEAT_Q10


def test_factor_from_25_to_28_c(check_row: Row) -> None:
    row = check_row("q10.25_28")
    row.agrees(*[rate_at(1.0, row.inputs["T1"], row.inputs["T2"], q) for q in (1.75, 2.0, 2.47)])


def test_hatchery_rule_is_a_q10_of_2_67(check_row: Row) -> None:
    # Piper et al. 1982 print a linear 5.56 % per °F; compounded over 18 °F it is a Q10 of about 2.67.
    row = check_row("fws.load")
    per_f = 5.56 / 100
    row.agrees(row.inputs["base_lb"] * (1 - per_f * 5), row.inputs["base_lb"] * (1 + per_f * 5))
    assert q10_of(1.0, 0.0, 1.056, 1 / 1.8) == pytest.approx(2.67, abs=0.01)


@pytest.mark.parametrize(
    "name",
    ["25.90", "25.95", "25.99", "10.95", "0.95", "20.95", "30.95", "60.95"],
)
def test_interval_is_that_of_garwood(check_row: Row, name: str) -> None:
    row = check_row(f"poisson.{name}")
    row.agrees(*poisson_interval(row.inputs["n"], row.inputs["conf"]))


@given(st.integers(0, 5000), st.sampled_from([0.5, 0.9, 0.95, 0.99, 0.9999]))
def test_interval_is_that_of_the_chi_square_quantile(count: int, confidence: float) -> None:
    # scipy 1.17: Garwood's interval by quantiles of chi square.
    low, high = poisson_interval(count, confidence)
    tail = (1 - confidence) / 2
    assert high == pytest.approx(chi2.isf(tail, 2 * count + 2) / 2, rel=1e-9)
    assert low == pytest.approx(chi2.ppf(tail, 2 * count) / 2 if count else 0.0, rel=1e-9)
    assert low <= count <= high


@given(st.integers(0, 2000), st.floats(0.01, 3000.0))
def test_tails_are_those_of_the_library(count: int, mean: float) -> None:
    assert poisson_tail_at_most(count, mean) == pytest.approx(poisson.cdf(count, mean), rel=1e-8, abs=1e-12)
    assert poisson_tail_at_least(count, mean) == pytest.approx(
        poisson.sf(count - 1, mean), rel=1e-8, abs=1e-12
    )


@given(st.integers(0, 300))
def test_more_beats_raise_both_ends(count: int) -> None:
    low, high = poisson_interval(count)
    more_low, more_high = poisson_interval(count + 1)
    assert more_low > low
    assert more_high > high


def test_a_million_beats_are_still_quick() -> None:
    low, high = poisson_interval(1_000_000)
    assert (high - low) / 2 == pytest.approx(1.96 * 1000, rel=0.001)  # the normal limit


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: poisson_interval(-1), "count must be from 0 to 1000000, got -1"),
        (lambda: poisson_interval(5, 95.0), "confidence must be between 0 and 1, got 95"),
        (lambda: poisson_interval(5, math.nan), "confidence"),
        (lambda: poisson_tail_at_most(5, 0.0), "mean must be above 0"),
        (lambda: q10_of(0.0, 20.0, 1.0, 30.0), "first rate"),
        (lambda: q10_of(1.0, 20.0, 1.0, 20.0), "temperatures must differ"),
        (lambda: rate_at(1.0, 20.0, 90.0, 2.0), "temperature in °C must be from 0 to 45, got 90"),
        (lambda: rate_at(1.0, 20.0, 25.0, -2.0), "Q10 must be above 0"),
    ],
)
def test_nonsense_is_refused_by_name(call: Callable[[], object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()
