"""Numbers of alarms: set apart on the disk before they are given out, so that none is ever given twice.

An alarm is shown, and can be acknowledged by its number, before its first step is on the disk. If the watch
is killed in that moment, or with a disk that has long taken nothing, the next watch must not give the same
number to another alarm.
"""

from typing import Any

from tankwatch.store import rows
from tankwatch.store.backlog import Event

KEY = "alarm-numbers"
"""Under which the first number not set apart is kept."""
AHEAD = 100
"""So many are set apart at once; after a kill the rest of them is left out."""
SPARE = 50
"""With so few left the next are set apart: so many alarms may begin while the disk takes nothing."""


class Numbers:
    """Watches the numbers that go by, and says what to write."""

    def __init__(self) -> None:
        """Begin with nothing set apart."""
        self._beyond: int | None = None
        self.among = 1
        """Only every so manyth number is given."""

    def set_apart(self, next_id: int, time_s: float) -> Event:
        """Return the event that sets apart the numbers from `next_id` on."""
        self._beyond = next_id + AHEAD * self.among
        return _event(self._beyond, time_s)

    def seen(self, alarm_id: int, time_s: float) -> Event | None:
        """Return the event that sets more apart if `alarm_id` is among the last; None if there is time."""
        if self._beyond is None or alarm_id < self._beyond - SPARE * self.among:
            return None
        return self.set_apart(alarm_id + 1, time_s)

    def give_back(self, time_s: float) -> Event | None:
        """Return the event that gives back what was not used: every step is on the disk."""
        if self._beyond is None:
            return None
        self._beyond = None
        return _event(0, time_s)


def beyond(kept: dict[str, Any] | None) -> int:
    """Return the first number not set apart, from what is kept under `KEY`."""
    number = (kept or {}).get("beyond")
    return number if isinstance(number, int) else 0


def _event(number: int, time_s: float) -> Event:
    return rows.PUT_MEMORY, rows.memory_row(KEY, {"beyond": number}, time_s)
