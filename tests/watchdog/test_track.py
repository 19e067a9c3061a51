"""The minutes of the last hours, found again by their time. The values are invented."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tankwatch.watchdog.tank import bin_length_s
from tankwatch.watchdog.track import Track


def filled(times: list[float], bin_s: float = 60.0) -> Track:
    track = Track(bin_s)
    for i, time_s in enumerate(times):
        track.add(time_s, 25.0 + 0.1 * i, 30.0 * i)
    return track


def test_an_empty_track_knows_nothing() -> None:
    assert len(Track(60.0)) == 0
    assert Track(60.0).index_at(0.0) is None


def test_the_bin_nearest_to_a_time_is_found() -> None:
    track = filled([60.0 * i for i in range(100)])
    assert track.index_at(60.0 * 42) == 42
    assert track.index_at(60.0 * 42 + 29.0) == 42
    assert track.index_at(60.0 * 42 + 31.0) == 43


def test_no_bin_within_two_and_a_half_is_none() -> None:
    track = filled([*(60.0 * i for i in range(10)), *(60.0 * i for i in range(100, 110))])
    assert track.index_at(9 * 60.0 + 149.0) == 9
    assert track.index_at(9 * 60.0 + 151.0) is None
    assert track.index_at(100 * 60.0 - 149.0) == 10
    assert track.index_at(-151.0) is None
    assert track.index_at(109 * 60.0 + 151.0) is None


def test_a_hole_is_no_whole_stretch() -> None:
    track = filled([*(60.0 * i for i in range(10)), *(60.0 * i for i in range(20, 30))])
    assert track.is_whole(10)
    assert not track.is_whole(0)


def test_one_missing_bin_in_ten_is_forgiven() -> None:
    times = [60.0 * i for i in range(100) if i % 12]
    assert filled(times).is_whole(0)


def test_means_over_neighbouring_bins() -> None:
    track = filled([60.0 * i for i in range(10)])
    assert track.smooth_c(5) == pytest.approx(25.5)
    assert track.smooth_c(0) == pytest.approx(25.05), "at the edge only what is there"
    assert track.newest_c() == pytest.approx(25.8)
    assert track.newest_c(1) == pytest.approx(25.9)


def test_it_keeps_at_least_five_hours_and_not_for_ever() -> None:
    track = filled([60.0 * i for i in range(5000)])
    assert 300 <= len(track) <= 640
    assert track.time_s[-1] == 60.0 * 4999
    assert len(track.time_s) == len(track.temperature_c) == len(track.on_s)


def test_after_clearing_nothing_is_left() -> None:
    track = filled([0.0, 60.0])
    track.clear()
    assert len(track) == 0
    assert track.index_at(60.0) is None


@given(
    st.lists(st.integers(1, 40), min_size=1, max_size=60),
    st.floats(-500.0, 50_000.0),
)
def test_the_nearest_bin_is_the_nearest(gaps: list[int], wanted_s: float) -> None:
    """Against the plain search through all bins."""
    times, now_s = [], 0.0
    for gap in gaps:
        now_s += 20.0 * gap
        times.append(now_s)
    found = filled(times).index_at(wanted_s)
    nearest_s = min(abs(time_s - wanted_s) for time_s in times)
    if found is None:
        assert nearest_s > 150.0
    else:
        # Within half a bin the first one found is good enough.
        assert abs(times[found] - wanted_s) <= max(nearest_s, 30.0)


@pytest.mark.parametrize(
    ("interval_s", "bin_s"), [(2, 60), (10, 60), (30, 60), (60, 120), (300, 600), (1800, 1800)]
)
def test_a_slow_probe_gets_longer_bins(interval_s: float, bin_s: float) -> None:
    assert bin_length_s(interval_s) == bin_s
