"""The queue between sources and watchdog."""

import threading
import time

import pytest

from tankwatch.reading import Channel, Reading
from tankwatch.sources.inbox import Inbox


def reading(value: float, source: str = "s") -> Reading:
    return Reading("t01", Channel.TEMPERATURE, 1_790_000_000.0, value, source=source)


def test_takes_all_that_is_there_in_order() -> None:
    inbox = Inbox()
    inbox.put([reading(1), reading(2)])
    inbox.put([reading(3)])
    inbox.put([])
    assert [r.value for r in inbox.take(0)] == [1, 2, 3]
    assert inbox.take(0) == []


def test_full_it_drops_the_oldest_and_counts_by_source() -> None:
    inbox = Inbox(capacity=3)
    inbox.put([reading(1, "a"), reading(2, "b")])
    inbox.put([reading(3, "a"), reading(4, "a"), reading(5, "a")])
    assert [r.value for r in inbox.take(0)] == [3, 4, 5]
    assert (inbox.dropped("a"), inbox.dropped("b"), inbox.dropped("c")) == (1, 1, 0)
    inbox.put([reading(float(n), "b") for n in range(10)])
    assert [r.value for r in inbox.take(0)] == [7, 8, 9]
    assert inbox.dropped("b") == 8


def test_a_capacity_of_none_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 1"):
        Inbox(capacity=0)


def test_waits_no_longer_than_asked_and_wakes_for_the_first() -> None:
    inbox = Inbox()
    begun = time.monotonic()
    assert inbox.take(0.05) == []
    assert 0.04 < time.monotonic() - begun < 5
    timer = threading.Timer(0.05, inbox.put, [[reading(1)]])
    timer.start()
    assert [r.value for r in inbox.take(10)] == [1]
    timer.join()


def test_nothing_is_lost_between_threads() -> None:
    inbox = Inbox()

    def put_many() -> None:
        for n in range(500):
            inbox.put([reading(float(n))])

    threads = [threading.Thread(target=put_many) for _ in range(4)]
    for thread in threads:
        thread.start()
    taken = 0
    while taken < 2000:
        got = len(inbox.take(5))
        assert got > 0
        taken += got
    for thread in threads:
        thread.join()
    assert (taken, inbox.take(0)) == (2000, [])
