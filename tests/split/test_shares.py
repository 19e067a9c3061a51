"""The hash that spreads tanks: known values, and how little moves.

Expected digests: `printf 'a\\0t000' | b2sum -l 64` of GNU coreutils, not Python's BLAKE2b (RFC 7693).
"""

from hypothesis import given
from hypothesis import strategies as st

from tankwatch.split.shares import preferred, weight

NAMES = st.sets(st.text("abcdefgh-", min_size=1, max_size=6), min_size=2, max_size=8)
TANKS = st.sets(st.text("t0123456789", min_size=1, max_size=6), min_size=1, max_size=40)


def test_weights_are_those_of_another_implementation() -> None:
    assert weight("a", "t000") == 0x786F031915D84CD9
    assert weight("b", "t000") == 0x62C1CD074561A68B
    assert weight("north", "long") == 0xB91F76F321950BBA
    assert preferred("t000", ("b", "a"), {}) == "a"


@given(NAMES, TANKS)
def test_when_a_watch_goes_only_its_tanks_move(names: set[str], tanks: set[str]) -> None:
    gone = min(names)
    for tank in tanks:
        before, after = preferred(tank, names, {}), preferred(tank, names - {gone}, {})
        assert after != gone
        assert after == before or before == gone


@given(NAMES, TANKS)
def test_the_order_in_which_watches_are_named_does_not_matter(names: set[str], tanks: set[str]) -> None:
    for tank in tanks:
        assert preferred(tank, sorted(names), {}) == preferred(tank, sorted(names, reverse=True), {})


def test_tanks_are_spread_evenly() -> None:
    held = [preferred(f"t{number:04}", ("a", "b", "c"), {}) for number in range(3000)]
    # Binomial with n = 3000, p = 1/3: mean 1000, standard deviation 25.8; five of them.
    assert all(abs(held.count(name) - 1000) < 130 for name in "abc")


def test_a_listed_tank_goes_where_it_is_listed_and_is_spread_while_that_watch_is_gone() -> None:
    listed = {"t000": "b"}
    assert preferred("t000", ("a", "b", "c"), listed) == "b"
    assert preferred("t000", ("a", "c"), listed) in ("a", "c")
    assert preferred("t000", (), listed) is None
