"""Light hours: too many today, at the wrong time, or none for two days.

Days and windows are local. A day turns at midnight, or in the middle of the dark where the light window
crosses midnight: one evening's light is one day's. Every boundary is turned into UTC once, so that a day of
23 or 25 hours counts what really passed.
"""

import zoneinfo
from datetime import UTC, date, datetime, time, timedelta
from statistics import median
from typing import TYPE_CHECKING, Any

from tankwatch.alarms.model import Condition, Priority
from tankwatch.config import TankConfig
from tankwatch.watchdog.hold import Hold
from tankwatch.watchdog.words import beyond_text

if TYPE_CHECKING:
    from tankwatch.watchdog.tank import TankWatch

_CHECK_S = 60.0
_FEEDING_S = 480.0
"""A lamp for a few minutes at feeding time is life: this much outside the window is let pass, s."""
_FEEDING_FADE_S = 1800.0
_MISSED_SHARE = 0.1
_KNOWN_SHARE = 0.8
_DAYS = 14


class LightRules:
    """The lamp of one tank over its local days."""

    __slots__ = (
        "_counted_s",
        "_day",
        "_day_end_s",
        "_day_start_s",
        "_heard_s",
        "_hold",
        "_known_s",
        "_next_check_s",
        "_outside_s",
        "_turns_at",
        "_windows",
        "_zone",
        "days",
        "hours_max",
        "is_measured",
        "is_on",
        "missed",
        "on_s",
        "window",
    )

    def __init__(self, config: TankConfig, zone: zoneinfo.ZoneInfo) -> None:
        """Start with no day known."""
        self._zone = zone
        self.hours_max = config.light_hours_max
        self.window = config.light_window
        self.is_on = False
        self.is_measured = False
        self.on_s = 0.0
        """Light seconds of the local day so far."""
        self.days: list[float] = []
        """Light hours of the last days that were not missed, oldest first."""
        self.missed = 0
        """Days running on which the light hardly came on."""
        self._heard_s = float("-inf")
        self._counted_s = float("-inf")
        self._hold = Hold()
        self._turns_at = _turn_of_the_day(config.light_window)
        self._day = date.min
        self._day_start_s = float("-inf")
        self._day_end_s = float("-inf")
        self._known_s = 0.0
        self._outside_s = 0.0
        self._windows: list[tuple[float, float]] = []
        self._next_check_s = float("-inf")

    def reading(self, tank: "TankWatch", time_s: float, on: bool) -> None:
        """Take one state of the lamp; `time_s` is the tank's own time."""
        if time_s < self._counted_s:
            return
        self._hold.note(time_s - self._heard_s)
        self._count_to(tank, time_s)
        self.is_measured = True
        self._heard_s = time_s
        if on is not self.is_on:
            self.is_on = on
            self._next_check_s = time_s
        if time_s >= self._next_check_s:
            self.minute(tank, time_s)

    def _count_to(self, tank: "TankWatch", time_s: float) -> None:
        """Count the time since the last count, as long as the state may be believed."""
        if time_s - self._heard_s < self._hold.hold_s:
            self._count(tank, self._counted_s, time_s)
        elif tank.stamp(time_s) >= self._day_end_s:
            self._turn_day(tank, time_s)
        self._counted_s = time_s

    def lose_sight(self, time_s: float) -> None:
        """Leave out a time nobody saw."""
        self._counted_s = max(self._counted_s, time_s)

    def _count(self, tank: "TankWatch", from_s: float, to_s: float) -> None:
        """Count a stretch in which the lamp kept its state."""
        if tank.stamp(to_s) >= self._day_end_s:
            self._turn_day(tank, to_s)
        passed_s = to_s - from_s
        self._known_s += passed_s
        if not self.is_on:
            self._outside_s -= passed_s * _FEEDING_S / _FEEDING_FADE_S
            if self._outside_s < 0.0:
                self._outside_s = 0.0
            return
        self.on_s += passed_s
        if self.window is None:
            return
        stamp_s = tank.stamp(to_s)
        for start_s, end_s in self._windows:
            if start_s <= stamp_s < end_s:
                self._outside_s = max(0.0, self._outside_s - passed_s)
                return
        self._outside_s += passed_s

    def _turn_day(self, tank: "TankWatch", time_s: float) -> None:
        """Close the local day and open the one that `time_s` falls into."""
        if self._day != date.min:
            self._close_day(tank, time_s)
        local = datetime.fromtimestamp(tank.stamp(time_s), UTC).astimezone(self._zone)
        self._open_day(local.date() if local.time() >= self._turns_at else local.date() - timedelta(days=1))
        self.on_s = self._known_s = 0.0

    def _open_day(self, day: date) -> None:
        self._day = day
        self._day_start_s = self._local(day, self._turns_at)
        self._day_end_s = self._local(day + timedelta(days=1), self._turns_at)
        self._windows = [self._window_on(day + timedelta(days=d)) for d in (-1, 0)] if self.window else []

    def _local(self, day: date, clock: time) -> float:
        return datetime.combine(day, clock, tzinfo=self._zone).timestamp()

    def _window_on(self, day: date) -> tuple[float, float]:
        start_text, end_text = self.window or ("00:00", "24:00")
        start_s = self._local(day, time.fromisoformat("00:00" if start_text == "24:00" else start_text))
        last = day if end_text > start_text else day + timedelta(days=1)
        if end_text == "24:00":
            return start_s, self._local(last + timedelta(days=1), time.min)
        return start_s, self._local(last, time.fromisoformat(end_text))

    def _close_day(self, tank: "TankWatch", time_s: float) -> None:
        if self._known_s < _KNOWN_SHARE * (self._day_end_s - self._day_start_s):
            return
        hours = self.on_s / 3600.0
        usual = self.usual_hours
        if usual is not None and usual >= 0.5 and hours < _MISSED_SHARE * usual:
            self.missed += 1
            if self.missed >= 2:
                self._tell_missed(tank, time_s, self.missed)
            return
        self.missed = 0
        self.days.append(hours)
        del self.days[:-_DAYS]

    @property
    def usual_hours(self) -> float | None:
        """Median light hours of the days known, None before the second."""
        return median(self.days) if len(self.days) >= 2 else None

    def minute(self, tank: "TankWatch", now_s: float) -> None:
        """Judge the lamp as it stands."""
        self._next_check_s = now_s + _CHECK_S
        if now_s > self._counted_s:
            self._count_to(tank, now_s)
        hours = self.on_s / 3600.0
        if hours > self.hours_max:
            if self.is_on or tank.is_active(Condition.LIGHT_OVERRUN):
                tank.tell(
                    Condition.LIGHT_OVERRUN,
                    Priority.LOW,
                    now_s,
                    f"Light for {beyond_text(hours, self.hours_max)} h today, at most {self.hours_max:g} h: "
                    "more light means more algae. Look at the timer.",
                    value=round(hours, 2),
                    evidence={"hours_max": self.hours_max},
                )
        elif not self.is_on:  # a lamp that burns on over midnight is still the same alarm
            tank.clear(Condition.LIGHT_OVERRUN, now_s)
        if self._outside_s >= _FEEDING_S and self.is_on and self.window is not None:
            tank.tell(
                Condition.LIGHT_AFTER_HOURS,
                Priority.LOW,
                now_s,
                f"The light is on outside {self.window[0]}–{self.window[1]}. Look at the timer.",
                since_s=now_s - self._outside_s,
                value=round(self._outside_s / 60.0, 1),
                evidence={"window": list(self.window)},
            )
        elif not self.is_on or self._outside_s == 0.0:
            tank.clear(Condition.LIGHT_AFTER_HOURS, now_s)
        self._judge_second_day(tank, now_s)
        if self.on_s > 0.0 and self.missed and hours > _MISSED_SHARE * (self.usual_hours or 0.0):
            self.missed = 0
            tank.clear(Condition.LIGHT_MISSED, now_s)

    def _judge_second_day(self, tank: "TankWatch", now_s: float) -> None:
        """Tell a second day without light when its window has passed, before midnight."""
        usual = self.usual_hours
        if self.missed != 1 or usual is None or usual < 0.5 or self.on_s >= _MISSED_SHARE * usual * 3600.0:
            return
        ends = [end_s for start_s, end_s in self._windows if self._day_start_s <= start_s]
        stamp_s = tank.stamp(now_s)
        if not ends or stamp_s < max(ends) or self._known_s < _KNOWN_SHARE * (stamp_s - self._day_start_s):
            return
        self._tell_missed(tank, now_s, 2)

    def _tell_missed(self, tank: "TankWatch", now_s: float, days: int) -> None:
        usual, hours = self.usual_hours or 0.0, self.on_s / 3600.0
        tank.tell(
            Condition.LIGHT_MISSED,
            Priority.LOW,
            now_s,
            f"Light for {hours:.1f} h on each of {days} days running, usually {usual:.1f} h. "
            "Look at the timer, the plug and the lamp.",
            since_s=now_s - days * 86_400.0,
            value=round(hours, 2),
            evidence={"usual_hours": round(usual, 2), "days": days},
        )

    def remember(self) -> dict[str, Any]:
        """Return what was learned, fit for JSON."""
        return {
            "days": self.days,
            "missed": self.missed,
            "day": self._day.isoformat(),
            "on_s": self.on_s,
            "known_s": self._known_s,
            "outside_s": self._outside_s,
            "is_on": self.is_on,
        }

    def recall(self, memory: dict[str, Any]) -> None:
        """Take up what `remember` returned earlier; the day under way goes on where it was left."""
        days = memory.get("days")
        if isinstance(days, list):
            self.days = [float(d) for d in days][-_DAYS:]
        self.missed = int(memory.get("missed") or 0)
        day = memory.get("day")
        if isinstance(day, str) and day != date.min.isoformat():
            self._open_day(date.fromisoformat(day))
            self.on_s = float(memory.get("on_s") or 0.0)
            self._known_s = float(memory.get("known_s") or 0.0)
            self._outside_s = float(memory.get("outside_s") or 0.0)
            self.is_on = bool(memory.get("is_on"))


def _turn_of_the_day(window: tuple[str, str] | None) -> time:
    """Return the local time at which a light day ends and the next begins."""
    if window is None or window[1] > window[0]:
        return time.min
    start, end = (time.fromisoformat("00:00" if text == "24:00" else text) for text in window)
    dark_from, dark_to = end.hour * 60 + end.minute, start.hour * 60 + start.minute
    middle = (dark_from + dark_to) // 2
    return time(middle // 60, middle % 60)
