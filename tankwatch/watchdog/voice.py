"""What the rules of one tank tell: alarms in the tank's own time, one for one cause.

A condition that a standing cause explains does not become an alarm of its own: the cause takes it up.
"""

import zoneinfo
from typing import Any

from tankwatch.alarms.book import AlarmBook
from tankwatch.alarms.model import Condition, Priority
from tankwatch.watchdog.causes import CONSEQUENCES, ROOTS
from tankwatch.watchdog.timeline import Timeline
from tankwatch.watchdog.words import clock_text

_LIMITS = frozenset({Condition.TOO_COLD, Condition.TOO_WARM})


class Voice:
    """Raises and ends the alarms of one tank."""

    def __init__(self, tank_id: str, zone: zoneinfo.ZoneInfo, book: AlarmBook) -> None:
        """Speak for the tank `tank_id` into `book`."""
        self.tank_id = tank_id
        self.zone = zone
        self.book = book
        self.timeline = Timeline()

    def stamp(self, time_s: float) -> float:
        """Turn the tank's time back into the probe's stamp."""
        return time_s - self.timeline.shift_s

    def clock_text(self, time_s: float) -> str:
        """Return one of the tank's own times as a keeper reads it, in local time."""
        return clock_text(self.stamp(time_s), self.zone)

    def is_active(self, condition: Condition) -> bool:
        """Tell whether the condition holds now."""
        if self.tank_id not in self.book.concerned:
            return False
        return self.book.active(self.tank_id, condition) is not None

    def is_explained(self, condition: Condition) -> bool:
        """Tell whether a cause that brings about `condition` stands now, here or in the whole room."""
        return any(
            self.is_active(root) or self.book.active(None, root) is not None
            for root in ROOTS.get(condition, ())
        )

    def tell(
        self,
        condition: Condition,
        priority: Priority,
        time_s: float,
        message: str,
        *,
        since_s: float | None = None,
        value: float | None = None,
        margin_min: float | None = None,
        evidence: dict[str, Any] | None = None,
    ) -> None:
        """Raise an alarm, unless a cause that explains it stands already: then that one takes it up."""
        for root in ROOTS.get(condition, ()):
            alarm = self.book.active(self.tank_id, root) or self.book.active(None, root)
            if alarm is not None:
                self._fold(alarm.tank, root, condition, time_s)
                return
        stamp_s = self.stamp(time_s)
        told = self.book.active(self.tank_id, condition)
        led_to = [] if told is None else list(told.evidence.get("consequences", ()))
        if led_to:
            evidence = {**(evidence or {}), "consequences": led_to}
            message = f"{message} It has led to: {', '.join(led_to)}."
            if not _LIMITS.isdisjoint(led_to):
                priority = Priority.CRITICAL
        self.book.begin(
            self.tank_id,
            condition,
            priority,
            stamp_s,
            message,
            since_s=None if since_s is None else self.stamp(since_s),
            value=value,
            margin_min=margin_min,
            evidence=evidence,
        )
        for consequence in CONSEQUENCES.get(condition, ()):
            if self.is_active(consequence):
                self._fold(self.tank_id, condition, consequence, time_s)
                self.book.end(self.tank_id, consequence, stamp_s)

    def _fold(self, tank: str | None, root: Condition, condition: Condition, time_s: float) -> None:
        alarm = self.book.active(tank, root)
        if alarm is None:
            return
        known = list(alarm.evidence.get("consequences", ()))
        if condition.value in known:
            return
        priority = Priority.CRITICAL if condition in _LIMITS else alarm.priority
        evidence = {**alarm.evidence, "consequences": [*known, condition.value]}
        self.book.begin(
            tank,
            root,
            max(priority, alarm.priority, key=lambda p: p.rank),
            self.stamp(time_s),
            f"{alarm.message} It has led to: {condition.value}.",
            value=alarm.value,
            margin_min=alarm.margin_min,
            evidence=evidence,
        )

    def clear(self, condition: Condition, time_s: float) -> None:
        """Tell that a condition is gone."""
        if self.is_active(condition):
            self.book.end(self.tank_id, condition, self.stamp(time_s))
