"""The queue in memory: what is dropped, what is counted, and how old it is."""

from store_data import temperature

from tankwatch.store.backlog import Backlog


def test_the_oldest_readings_go_and_are_counted() -> None:
    backlog = Backlog(limit=5)
    backlog.add_readings([temperature(second) for second in range(8)], 0.0)
    assert backlog.dropped == 3
    assert list(backlog.readings) == [temperature(second) for second in range(3, 8)]
    assert backlog.waiting == 5


def test_readings_in_hand_count_and_come_back_in_order() -> None:
    backlog = Backlog(limit=5)
    backlog.add_readings([temperature(second) for second in range(4)], 0.0)
    taken = backlog.take_readings(3)
    backlog.add_readings([temperature(second) for second in range(4, 7)], 1.0)
    assert backlog.waiting == 5
    assert backlog.dropped == 2  # 3 and 4: those in hand may be written already
    backlog.give_back(taken)
    assert [r.time_s - temperature(0).time_s for r in backlog.readings] == [0, 1, 2, 5, 6]
    backlog.take_readings(5)
    backlog.settle(5, refused=1)
    assert (backlog.waiting, backlog.dropped, backlog.done, backlog.put) == (0, 3, 7, 7)


def test_the_age_is_that_of_the_oldest_reading_that_waits() -> None:
    backlog = Backlog(limit=100)
    assert backlog.age_s(50.0) == 0.0
    backlog.add_readings([temperature(0)], 100.0)
    backlog.add_readings([temperature(1)], 110.0)
    assert backlog.age_s(115.0) == 15.0
    backlog.take_readings(1)
    assert backlog.age_s(115.0) == 15.0
    backlog.settle(1, refused=0)
    assert backlog.age_s(115.0) == 5.0
    backlog.take_readings(1)
    backlog.settle(1, refused=0)
    assert backlog.age_s(115.0) == 0.0


def test_a_mark_is_passed_when_all_before_it_has_left() -> None:
    backlog = Backlog(limit=100)
    assert backlog.passed(backlog.mark())
    backlog.add_readings([temperature(0)], 0.0)
    backlog.add_events([("SQL", (1,))])
    backlog.add_memory("t01", ("SQL", (1,)))
    mark = backlog.mark()
    backlog.add_events([("SQL", (2,))])
    backlog.take_readings(1)
    backlog.settle(1, refused=0)
    backlog.settle_events(1)
    assert not backlog.passed(mark)
    written = dict(backlog.memory)
    backlog.add_memory("t01", ("SQL", (2,)))
    assert backlog.passed(mark)  # what waited under the key was replaced
    backlog.settle_memory(written)
    assert list(backlog.memory) == ["t01"]  # the newer one was not written
