"""Decimation keeps every extreme, gaps stay gaps, and held states end."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tankwatch.screen.chart.decimate import Columns, bridge, hold, into_columns

rows = st.lists(
    st.tuples(st.floats(0, 999.9), st.floats(-50, 50), st.floats(0, 5), st.floats(0, 5)),
    min_size=1,
    max_size=60,
)


@given(rows, st.integers(1, 50))
def test_every_minimum_and_maximum_survives(
    data: list[tuple[float, float, float, float]], count: int
) -> None:
    table = np.array(sorted(data))
    time_s, mean = table[:, 0], table[:, 1]
    low, high = mean - table[:, 2], mean + table[:, 3]
    columns = into_columns(time_s, low, high, mean, 0.0, 1000.0, count)
    assert np.nanmin(columns.low) == low.min()
    assert np.nanmax(columns.high) == high.max()
    # Column by column, against the plain definition.
    index = np.minimum((time_s * (count / 1000.0)).astype(int), count - 1)
    for i in range(count):
        inside = index == i
        if inside.any():
            assert columns.low[i] == low[inside].min()
            assert columns.high[i] == high[inside].max()
            assert columns.mean[i] == pytest.approx(mean[inside].mean())
        else:
            assert np.isnan(columns.mean[i])


def test_rows_outside_the_stretch_and_nan_are_left_out() -> None:
    time_s = np.array([-1.0, 5.0, 6.0, 10.0])
    value = np.array([99.0, 1.0, np.nan, 99.0])
    columns = into_columns(time_s, value, value, value, 0.0, 10.0, 2)
    assert np.isnan(columns.mean[0])
    assert columns.mean[1] == 1.0


@pytest.mark.parametrize(("end", "count"), [(0.0, 4), (-1.0, 4), (10.0, 0)])
def test_an_impossible_stretch_is_refused(end: float, count: int) -> None:
    nothing = np.array([])
    with pytest.raises(ValueError, match="expected from_s < to_s"):
        into_columns(nothing, nothing, nothing, nothing, 0.0, end, count)


def column_of(*values: float) -> Columns:
    array = np.array(values, dtype=np.float64)
    return Columns(array, array, array)


def test_short_gaps_are_drawn_through_and_long_ones_stay() -> None:
    nan = float("nan")
    joined = bridge(column_of(1.0, nan, 3.0, nan, nan, nan, 4.0, nan), 2)
    assert list(joined.mean[:3]) == [1.0, 2.0, 3.0]
    assert np.isnan(joined.mean[3:6]).all()
    assert np.isnan(joined.mean[7])


def test_a_held_state_ends_when_nobody_can_know() -> None:
    nan = float("nan")
    held = hold(column_of(nan, 1.0, nan, nan, nan, 0.0), 2)
    assert np.isnan(held.mean[0])
    assert list(held.mean[1:4]) == [1.0, 1.0, 1.0]
    assert np.isnan(held.mean[4])
    assert held.mean[5] == 0.0
