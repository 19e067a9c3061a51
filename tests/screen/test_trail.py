"""Zoom, pan and cursor of the chart."""

from hypothesis import given
from hypothesis import strategies as st

from tankwatch.screen.trail import WINDOWS_H, Trail

NOW_S = 1_795_572_000.0
moves = st.lists(
    st.one_of(
        st.tuples(st.just("zoom"), st.booleans()),
        st.tuples(st.just("pan"), st.sampled_from([0.5, -0.5])),
        st.tuples(st.just("cursor"), st.integers(-20, 20)),
    ),
    max_size=40,
)


@given(moves)
def test_no_key_leads_beyond_now_or_loses_the_cursor(keys: list[tuple[str, object]]) -> None:
    trail = Trail()
    for kind, value in keys:
        if kind == "zoom":
            trail = trail.zoomed(bool(value), NOW_S)
        elif kind == "pan":
            trail = trail.panned(float(value))  # type: ignore[arg-type]
        else:
            trail = trail.moved(int(value), 100, NOW_S)  # type: ignore[call-overload]
        start, end = trail.ends(NOW_S)
        assert end <= NOW_S + 1e-6
        assert trail.hours in WINDOWS_H
        if trail.cursor_s is not None:
            assert start - 1e-3 <= trail.cursor_s <= end + 1e-3


def test_zoom_keeps_the_cursor_where_it_is_on_the_screen() -> None:
    trail = Trail().moved(-1, 100, NOW_S)
    for _ in range(40):
        trail = trail.moved(-1, 100, NOW_S)
    start, end = trail.ends(NOW_S)
    before = (trail.cursor_s or 0) - start
    closer = trail.zoomed(True, NOW_S)
    start2, end2 = closer.ends(NOW_S)
    assert closer.hours == 12
    assert abs(before / (end - start) - ((closer.cursor_s or 0) - start2) / (end2 - start2)) < 1e-6


def test_the_ends_of_the_zoom() -> None:
    assert Trail(1.0).zoomed(True, NOW_S) == Trail(1.0)
    assert Trail(8760.0).zoomed(False, NOW_S) == Trail(8760.0)
    assert [Trail(h).words for h in (1.0, 24.0, 168.0)] == ["1 h", "24 h", "7 days"]


def test_pan_goes_back_and_forth() -> None:
    back = Trail().panned(0.5)
    assert back.ends(NOW_S)[1] == NOW_S - 12 * 3600
    assert back.panned(-0.5) == Trail()
    assert Trail().panned(-0.5) == Trail()


def test_the_cursor_comes_in_from_the_right_and_drags_the_stretch() -> None:
    trail = Trail().moved(-1, 24, NOW_S)
    assert trail.cursor_s == NOW_S - 1800
    for _ in range(30):
        trail = trail.moved(-1, 24, NOW_S)
    assert trail.back_s > 0
    for _ in range(60):
        trail = trail.moved(1, 24, NOW_S)
    assert trail.back_s == 0
    assert trail.cursor_s is not None
    assert trail.cursor_s <= NOW_S
