"""The rows of a tank's last day: kept in order, bounded, found by time."""

from collections import deque

from hypothesis import given
from hypothesis import strategies as st

from tankwatch.watchdog.slots import Slots


@given(
    st.lists(st.floats(min_value=0.0, max_value=7200.0), max_size=60),
    st.integers(min_value=1, max_value=20),
    st.floats(min_value=0.0, max_value=500_000.0),
)
def test_rows_are_those_of_a_plain_list(pauses_s: list[float], most: int, cut_s: float) -> None:
    slots = Slots(3, most)
    plain: deque[tuple[float, ...]] = deque(maxlen=most)
    now_s = 0.0
    for pause_s in pauses_s:
        now_s += pause_s
        slots.append(now_s, -now_s, 2.0 * now_s)
        plain.append((now_s, -now_s, 2.0 * now_s))
    assert list(slots) == list(plain)
    assert len(slots) == len(plain)
    assert slots.first_from(cut_s) == sum(row[0] < cut_s for row in plain)
    slots.drop_before(cut_s)
    assert list(slots) == [row for row in plain if row[0] >= cut_s]
    slots.clear()
    assert not len(slots)
    assert list(slots) == []
