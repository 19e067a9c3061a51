"""The figures of the alarms, against the published definitions and against counts done by hand."""

from collections.abc import Callable

import pytest

from tankwatch.alarms.book import AlarmBook
from tankwatch.alarms.model import Condition, Priority
from tankwatch.review import alarm_load as load
from tankwatch.review.alarm_record import alarm_records

T0 = 1_790_000_000.0


def test_aims_and_definitions_are_the_published_ones(check_row: Callable[..., object]) -> None:
    check_row("alarm.rates").agrees(load.STEADY_PER_10_MIN, load.FLOOD_PER_10_MIN)  # type: ignore[attr-defined]
    check_row("alarm.chatter").agrees(  # type: ignore[attr-defined]
        load.CHATTER_COUNT, load.CHATTER_S, load.STALE_S / 3600.0
    )
    assert load.SHARES == {"low": 0.80, "medium": 0.15, "high": 0.05}  # EEMUA 191, as in the row alarm.rates


def test_rates_and_shares_by_hand() -> None:
    book = AlarmBook()
    for minute in (0, 1, 2, 3, 30, 31):
        priority = Priority.LOW if minute < 30 else Priority.HIGH
        book.begin(f"t{minute:02}", Condition.TOO_COLD, priority, T0 + 60 * minute, "cold")
    steps = book.take_steps()
    found = load.alarm_load(steps, load.standing_at(steps), T0, T0 + 2 * 3600)
    assert (found.told, found.per_hour, found.per_10_min) == (6, 3.0, 0.5)
    assert (found.peak_10_min, found.peak_s, found.floods) == (4, T0, 0)
    assert found.shares == pytest.approx({"low": 4 / 6, "medium": 0.0, "high": 2 / 6, "critical": 0.0})
    assert (found.standing, found.unacknowledged, found.stale) == (6, 6, 0)


def test_a_flood_is_more_than_ten_in_ten_minutes() -> None:
    for number, floods in ((10, 0), (11, 1), (25, 1)):
        book = AlarmBook()
        for i in range(number):
            book.begin(f"t{i:03}", Condition.POWER_LOSS, Priority.HIGH, T0 + 20 * i, "power")
        assert load.alarm_load(book.take_steps(), [], T0, T0 + 3600).floods == floods


def test_three_in_a_minute_chatter_and_three_in_longer_do_not() -> None:
    for spacing_s, chatters in ((29.0, True), (31.0, False)):
        book = AlarmBook()
        for i in range(3):
            book.begin("t01", Condition.TOO_WARM, Priority.LOW, T0 + i * spacing_s, "warm")
            book.end("t01", Condition.TOO_WARM, T0 + i * spacing_s + 1.0)
        found = load.alarm_load(book.take_steps(), [], T0, T0 + 3600)
        assert found.chattering == ((("t01 too-warm", 3),) if chatters else ())


def test_standing_stale_and_time_to_acknowledge() -> None:
    book = AlarmBook()
    book.begin("t01", Condition.TOO_COLD, Priority.HIGH, T0, "cold")
    book.begin("t02", Condition.PROBE_SILENT, Priority.MEDIUM, T0 + 1, "silent")
    book.acknowledge(2, "Ane", T0 + 601)
    book.begin("t03", Condition.PROBE_SILENT, Priority.MEDIUM, T0 + 23 * 3600, "silent")
    steps = book.take_steps()
    found = load.alarm_load(steps, load.standing_at(steps), T0, T0 + 25 * 3600)
    assert (found.standing, found.stale, found.unacknowledged) == (3, 2, 2)
    assert found.median_minutes_to_acknowledge == pytest.approx(10.0)


def test_an_alarm_record_tells_its_whole_life() -> None:
    book = AlarmBook()
    book.begin("t01", Condition.TOO_COLD, Priority.MEDIUM, T0, "cold", since_s=T0 - 30)
    book.acknowledge(1, "Ane", T0 + 60)
    book.begin("t01", Condition.TOO_COLD, Priority.CRITICAL, T0 + 120, "colder")
    book.end("t01", Condition.TOO_COLD, T0 + 300)
    book.begin("t01", Condition.WIDE_SWING, Priority.LOW, T0 + 400, "swing")
    first, second = alarm_records(book.take_steps())
    assert (first.condition, first.priority, first.times) == ("too-cold", "critical", 2)
    assert (first.since_s, first.told_s, first.acknowledged_s, first.who) == (T0 - 30, T0, T0 + 60, "Ane")
    assert (first.returned_s, second.returned_s) == (T0 + 300, None)
