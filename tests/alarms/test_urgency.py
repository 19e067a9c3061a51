"""Priority rises as the time to the limit shrinks."""

import pytest

from tankwatch.alarms.book import AlarmBook
from tankwatch.alarms.model import AlarmState, Condition, Priority
from tankwatch.alarms.urgency import by_time_left


@pytest.mark.parametrize(
    ("priority", "margin_min", "raised"),
    [
        (Priority.MEDIUM, None, Priority.MEDIUM),
        (Priority.MEDIUM, 500.0, Priority.MEDIUM),
        (Priority.MEDIUM, 119.9, Priority.HIGH),
        (Priority.HIGH, 30.0, Priority.HIGH),
        (Priority.HIGH, 29.9, Priority.CRITICAL),
        (Priority.LOW, 0.1, Priority.CRITICAL),
        (Priority.CRITICAL, 500.0, Priority.CRITICAL),
        (Priority.HIGH, 0.0, Priority.HIGH),
        (Priority.HIGH, float("nan"), Priority.HIGH),
    ],
)
def test_boundaries(priority: Priority, margin_min: float | None, raised: Priority) -> None:
    assert by_time_left(priority, margin_min) is raised


def test_an_acknowledged_alarm_comes_back_when_time_runs_out() -> None:
    book = AlarmBook()
    book.begin("t01", Condition.HEATER_OVERLOADED, Priority.HIGH, 0.0, "text", margin_min=90.0)
    book.acknowledge(book.standing[0].alarm_id, "sam", 10.0)
    for minute in range(1, 70):
        book.begin(
            "t01", Condition.HEATER_OVERLOADED, Priority.HIGH, 60.0 * minute, "text", margin_min=90.0 - minute
        )
    (alarm,) = book.standing
    assert (alarm.state, alarm.priority) == (AlarmState.UNACKNOWLEDGED, Priority.CRITICAL)
    rise = book.take_steps()[-1]
    assert (rise.time_s, rise.why) == (61 * 60.0, "priority rose")
