"""The figures of the record against hand-made records and the published aims."""

from collections.abc import Callable
from typing import Any

import pytest

from tankwatch.alarms.book import AlarmBook
from tankwatch.alarms.figures import (
    AIM_PER_10_MIN,
    FLOOD_PER_10_MIN,
    PRIORITY_AIM,
    alarm_figures,
)
from tankwatch.alarms.model import Condition, Priority


def test_the_aims_are_the_published_ones(check_row: Callable[[str], Any]) -> None:
    check_row("alarm.rates").agrees(AIM_PER_10_MIN, FLOOD_PER_10_MIN)
    check_row("alarm.priorities").agrees(*(100.0 * share for share in PRIORITY_AIM.values()))


def test_figures_of_a_day_counted_by_hand() -> None:
    book = AlarmBook()
    for number in range(12):  # a flood: twelve tanks within ten minutes
        book.begin(f"t{number:02}", Condition.TOO_COLD, Priority.HIGH, 30.0 * number, "cold")
    for number in range(4):  # one that comes and goes: the third and fourth time it chatters
        book.begin("t50", Condition.PROBE_FAULTY, Priority.LOW, 7200.0 + 20.0 * number, "odd")
        book.end("t50", Condition.PROBE_FAULTY, 7205.0 + 20.0 * number)
    day_s = 2.0 * 86_400.0
    figures = alarm_figures(book.take_steps(), 0.0, day_s, book.standing)
    assert figures.activations == 16
    assert figures.average_per_10_min == pytest.approx(16 / 288)
    assert figures.peak_per_10_min == 12
    assert figures.flood_share == pytest.approx(1 / 288)
    assert figures.standing == 12
    assert len(figures.stale) == 12
    assert figures.chattering == {("t50", "probe-faulty"): 2}
    assert figures.most_frequent[0] == (("t50", "probe-faulty"), 4)
    assert figures.priority_share[Priority.HIGH] == pytest.approx(12 / 16)


def test_a_stretch_without_length_is_refused() -> None:
    with pytest.raises(ValueError, match="later end"):
        alarm_figures([], 5.0, 5.0)
