"""The window of time that a chart shows: zoom, pan and cursor, as a pure value."""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

_HOUR = 3600.0
WINDOWS_H = (1.0, 3.0, 6.0, 12.0, 24.0, 72.0, 168.0, 720.0, 2160.0, 8760.0)
"""Lengths to zoom through, from an hour to a year."""
_LEAPS = {
    1.0: (300.0, "5 min"),
    3.0: (900.0, "15 min"),
    6.0: (1800.0, "30 min"),
    12.0: (_HOUR, "1 h"),
    24.0: (_HOUR, "1 h"),
    72.0: (6 * _HOUR, "6 h"),
    168.0: (12 * _HOUR, "12 h"),
    720.0: (24 * _HOUR, "1 day"),
    2160.0: (168 * _HOUR, "1 week"),
    8760.0: (672 * _HOUR, "4 weeks"),
}
"""A big step of the cursor for each length: about a twentieth of it, in round local time."""


@dataclass(frozen=True, slots=True)
class Trail:
    """What stretch of time is shown, and where its cursor stands."""

    hours: float = 24.0
    back_s: float = 0.0
    """How far the right end lies before now; 0 follows the time."""
    cursor_s: float | None = None
    """Time under the cursor; None hides it."""

    def ends(self, now_s: float) -> tuple[float, float]:
        """Return the begin and end of the stretch, seconds since 1970 UTC."""
        end = now_s - self.back_s
        return end - self.hours * _HOUR, end

    def zoomed(self, closer: bool, now_s: float) -> "Trail":
        """Return the next shorter or longer stretch, around the cursor where there is one."""
        index = WINDOWS_H.index(self.hours) + (-1 if closer else 1)
        if not 0 <= index < len(WINDOWS_H):
            return self
        hours = WINDOWS_H[index]
        if self.cursor_s is None:
            return replace(self, hours=hours)
        start, end = self.ends(now_s)
        share = (end - self.cursor_s) / (end - start)
        return replace(self, hours=hours, back_s=max(0.0, now_s - self.cursor_s - share * hours * _HOUR))

    def panned(self, share: float) -> "Trail":
        """Return the stretch moved by a share of its length; positive goes into the past."""
        return replace(self, back_s=max(0.0, self.back_s + share * self.hours * _HOUR), cursor_s=None)

    def moved(self, cells: int, width: int, now_s: float) -> "Trail":
        """Return the cursor moved by `cells` of `width`; it comes in from the right and drags the stretch."""
        start, end = self.ends(now_s)
        step = (end - start) / width
        at = end - step / 2 if self.cursor_s is None else self.cursor_s + cells * step
        if at >= end:
            back = max(0.0, self.back_s - (at - end) - step / 2)
            at = min(at, now_s - back - step / 2)
            return replace(self, back_s=back, cursor_s=at)
        back = self.back_s + max(0.0, start - at)
        return replace(self, back_s=back, cursor_s=at)

    def leapt(self, steps: int, now_s: float, zone: ZoneInfo) -> "Trail":
        """Return the cursor a big step (`leap`) earlier (-1) or later (1), on round local time.

        From 9:12 an hour back is 9:00, then 8:00: so a wanted hour is reached exactly.
        """
        step = _LEAPS[self.hours][0]
        at = self.ends(now_s)[1] if self.cursor_s is None else self.cursor_s
        day = datetime.fromtimestamp(at, zone).replace(hour=0, minute=0, second=0, microsecond=0)
        if step > 24 * _HOUR:
            target = at + steps * step
        elif step == 24 * _HOUR:
            target = day.timestamp()
            if steps > 0 or target >= at - 1.0:
                target = (day + timedelta(days=steps)).timestamp()
        else:
            # Whole steps since midnight, by seconds that really passed: no step is lost when clocks change.
            passed = (at - day.timestamp()) / step
            whole = round(passed) if abs(passed - round(passed)) * step < 1.0 else None
            if whole is None:
                whole = int(passed) + (1 if steps > 0 else 0)
            else:
                whole += steps
            target = day.timestamp() + whole * step
        return self.at(target, now_s)

    def at(self, time_s: float, now_s: float) -> "Trail":
        """Return the cursor at a time no later than now, and the stretch moved no further than it must."""
        time_s = min(time_s, now_s)
        start, end = self.ends(now_s)
        back = self.back_s
        if time_s < start:
            # Something of what went before is shown too, or the curve would begin under the cursor.
            back += start - time_s + 0.1 * (end - start)
        elif time_s > end:
            back = max(0.0, back - (time_s - end) - 0.1 * (end - start))
        return replace(self, back_s=back, cursor_s=time_s)

    @property
    def leap(self) -> str:
        """A big step of the cursor, in words."""
        return _LEAPS[self.hours][1]

    @property
    def words(self) -> str:
        """The length in words."""
        if self.hours < 72:
            return f"{self.hours:.0f} h"
        return f"{self.hours / 24:.0f} days"
