"""Single figures of the review against sums done by hand and against scipy."""

import math
from datetime import date
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import trapezoid
from scipy.optimize import curve_fit

from tankwatch.errors import UsageError
from tankwatch.review.breakpoint import find_bend
from tankwatch.review.measures import fastest_change, outside
from tankwatch.review.recording import Floats
from tankwatch.review.span import last_night, night_of, span_between, time_of
from tankwatch.review.usual import turning_points

UTC = ZoneInfo("Etc/UTC")


def floats(values: object) -> Floats:
    return np.asarray(values, dtype=np.float64)


LISBON = ZoneInfo("Europe/Lisbon")


def test_time_and_degree_hours_outside_by_hand() -> None:
    time_s = floats(np.arange(5) * 3600.0)
    excess = np.array([-1.0, 1.0, 1.0, 0.0, -1.0])
    minutes, degree_hours = outside(time_s, excess, 3600.0)
    assert minutes == pytest.approx(
        30 + 60 + 60
    )  # the line is above zero from the middle of the first hour on
    assert degree_hours == pytest.approx(0.25 + 1.0 + 0.5)


@given(st.lists(st.floats(-3, 3), min_size=2, max_size=12))
def test_degree_hours_are_the_integral_of_the_broken_line(values: list[float]) -> None:
    excess = np.array(values)
    time_s = floats(np.arange(len(values)) * 60.0)
    _, degree_hours = outside(time_s, excess, 60.0)
    fine_s = np.linspace(0.0, time_s[-1], 4000 * len(values))
    truth = trapezoid(np.maximum(np.interp(fine_s, time_s, excess), 0.0), fine_s / 3600.0)
    assert degree_hours == pytest.approx(truth, abs=1e-5)


def test_fastest_change_by_hand() -> None:
    water = np.concatenate([np.full(30, 25.0), 25.0 - 0.05 * np.arange(1, 21), np.full(30, 24.0)])
    time_s = floats(np.arange(len(water)) * 60.0)
    found = fastest_change(time_s, water, 60.0, 600.0)
    assert found is not None
    assert found.change_k == pytest.approx(-0.5)
    assert fastest_change(time_s[:5], water[:5], 60.0, 600.0) is None
    water[::9] = math.nan
    assert fastest_change(time_s, water, 60.0, 600.0) is None


@pytest.mark.parametrize("seed", range(6))
def test_a_bend_is_where_scipy_finds_it(seed: int) -> None:
    rng = np.random.default_rng(seed)
    time_s = floats(np.arange(180) * 60.0)
    truth_s = rng.uniform(4000, 7000)
    hours = time_s / 3600.0
    after = np.maximum(hours - truth_s / 3600.0, 0.0)
    value = 25.0 + 0.2 * hours - rng.choice([-1.0, 1.0]) * rng.uniform(0.6, 1.5) * after
    value = floats(value + rng.normal(0, 0.02, len(value)))
    found = find_bend(time_s, value)
    assert found is not None

    def two_lines(
        t: "np.ndarray[tuple[int], np.dtype[np.float64]]", a: float, b: float, c: float, bend: float
    ) -> object:
        return a + b * t + c * np.maximum(t - bend, 0.0)

    best, _ = curve_fit(two_lines, hours, value, p0=(25.0, 0.2, found.change, found.time_s / 3600.0))
    assert found.time_s == pytest.approx(best[3] * 3600.0, abs=30.0)
    assert found.slope_before == pytest.approx(best[1], abs=0.01)
    assert found.change == pytest.approx(best[2], abs=0.01)
    assert abs(found.time_s - truth_s) <= 3.0 * found.uncertainty_s + 60.0


def test_a_bend_needs_something_to_look_at() -> None:
    assert find_bend(floats(range(5)), floats(range(5))) is None


def test_turning_points_by_hand() -> None:
    wave = np.array([0.0, 0.5, 1.0, 0.4, 0.0, 0.6, 0.9, 0.2])
    assert turning_points(wave, 0.3) == [(True, 2), (False, 4), (True, 6)]


def test_a_night_is_local_and_follows_the_clocks() -> None:
    plain = night_of(date(2026, 9, 21), UTC)
    assert (plain.from_s, plain.hours) == (1_790_020_800.0, 12.0)
    # Clocks went forward on 29 March 2026 and go back on 25 October 2026 in Lisbon (EU rule, tz database).
    assert night_of(date(2026, 3, 28), LISBON).hours == 11.0
    assert night_of(date(2026, 10, 24), LISBON).hours == 13.0
    assert night_of(date(2026, 9, 21), UTC, ("22:00", "23:30")).hours == 1.5


@pytest.mark.parametrize(
    ("now", "begin", "hours"),
    [
        ("2026-09-22T08:05Z", "2026-09-21T20:00Z", 12.0),
        ("2026-09-22T19:59Z", "2026-09-21T20:00Z", 12.0),
        ("2026-09-22T03:00Z", "2026-09-21T20:00Z", 7.0),
    ],
)
def test_last_night_is_the_newest_that_has_begun(now: str, begin: str, hours: float) -> None:
    span = last_night(time_of(now, UTC), UTC)
    assert (span.from_s, span.hours) == (time_of(begin, UTC), hours)
    assert ("so far" in span.title) is (hours < 12.0)


def test_stretches_that_make_no_sense_are_refused() -> None:
    with pytest.raises(UsageError, match="ends before it begins"):
        span_between("2026-09-22", "2026-09-21", 0.0, UTC)
    with pytest.raises(UsageError, match="expected a time such as"):
        span_between("yesterday", None, 0.0, UTC)
    assert span_between("2026-09-21T20:00+01:00", "2026-09-22", 0.0, UTC).hours == 5.0
