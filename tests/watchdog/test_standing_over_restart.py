"""A watchdog that is started anew ends no alarm before it has heard anything."""

import pytest

from tankwatch.alarms.book import AlarmBook
from tankwatch.alarms.model import Condition, Priority
from tankwatch.config import Config
from tankwatch.watchdog.watchdog import Watchdog

CONFIG = Config.model_validate(
    {
        "room": {"name": "Back room"},
        "tank": [{"id": f"t{n}", "volume_l": 120.0, "setpoint_c": 25.0} for n in range(5)],
    }
)


@pytest.mark.parametrize("condition", list(Condition))
def test_what_stood_still_stands_while_nothing_was_heard(condition: Condition) -> None:
    book = AlarmBook()
    tank = None if condition is Condition.POWER_LOSS else "t1"
    book.begin(tank, condition, Priority.CRITICAL, 1000.0, "text")
    watchdog = Watchdog(CONFIG, standing=book.standing)
    for second in range(1001, 1400, 5):
        watchdog.advance(float(second))
    assert watchdog.take_steps() == []
    assert watchdog.book.standing == book.standing
