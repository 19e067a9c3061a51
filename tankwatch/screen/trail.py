"""The window of time that a chart shows: zoom, pan and cursor, as a pure value."""

from dataclasses import dataclass, replace

_HOUR = 3600.0
WINDOWS_H = (1.0, 3.0, 6.0, 12.0, 24.0, 72.0, 168.0, 720.0, 2160.0, 8760.0)
"""Lengths to zoom through, from an hour to a year."""


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

    @property
    def words(self) -> str:
        """The length in words."""
        if self.hours < 72:
            return f"{self.hours:.0f} h"
        return f"{self.hours / 24:.0f} days"
