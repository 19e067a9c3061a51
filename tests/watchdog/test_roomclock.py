"""The room's time is made of many probes' stamps; one wrong clock must not move it. Stamps are invented."""

from hypothesis import given
from hypothesis import strategies as st

from tankwatch.watchdog.roomclock import RoomClock


def run(clock: RoomClock, start_s: float, count: int, tanks: tuple[str, ...] = ("a", "b", "c")) -> float:
    """Let `count` rounds of readings arrive, ten seconds apart."""
    for i in range(count):
        for tank in tanks:
            clock.see(tank, start_s + 10.0 * i)
    return clock.now_s


def test_it_follows_the_newest_stamp() -> None:
    clock = RoomClock()
    assert clock.see("a", 1000.0) == 1000.0
    assert clock.see("b", 990.0) == 1000.0
    assert clock.see("b", 1005.0) == 1005.0


def test_one_tank_alone_may_leap_over_a_gap() -> None:
    clock = RoomClock()
    clock.see("a", 1000.0)
    assert clock.see("a", 9000.0) == 9000.0


def test_one_leaping_clock_among_others_moves_nothing() -> None:
    clock = RoomClock()
    run(clock, 1000.0, 10)
    for i in range(20):
        now_s = 1100.0 + 10.0 * i
        clock.see("a", now_s + 3600.0)
        clock.see("b", now_s)
        clock.see("c", now_s)
        assert clock.now_s == now_s


def test_two_clocks_that_leap_together_are_believed() -> None:
    clock = RoomClock()
    run(clock, 1000.0, 10)
    clock.see("a", 4690.0)
    assert clock.now_s == 1090.0
    assert clock.see("b", 4700.0) == 4690.0


def test_a_clock_that_fell_back_counts_again_after_some_readings() -> None:
    clock = RoomClock()
    run(clock, 10_000.0, 10, ("a",))
    before_s = clock.now_s
    for i in range(10):
        clock.see("a", 6500.0 + 10.0 * i)
    assert before_s < clock.now_s <= before_s + 100.0


def test_others_carry_the_time_while_one_fell_back() -> None:
    clock = RoomClock()
    run(clock, 10_000.0, 10)
    for i in range(20):
        now_s = 10_100.0 + 10.0 * i
        clock.see("b", now_s)
        clock.see("a", now_s - 3600.0)
        assert clock.now_s == now_s


def test_when_all_others_are_long_silent_one_is_enough() -> None:
    clock = RoomClock()
    run(clock, 1000.0, 10)
    for i in range(150):
        clock.see("a", 1100.0 + 10.0 * i)  # b and c say nothing for 25 minutes
    assert clock.see("a", 9000.0) == 9000.0


@given(st.lists(st.tuples(st.sampled_from("abc"), st.floats(0, 1e5)), max_size=200))
def test_it_never_goes_back(arrivals: list[tuple[str, float]]) -> None:
    clock = RoomClock()
    last_s = float("-inf")
    for tank, stamp_s in arrivals:
        now_s = clock.see(tank, stamp_s)
        assert now_s >= last_s
        last_s = now_s
