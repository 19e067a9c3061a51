"""A limit with a deadband and delays: when a number counts as too high, and when no longer.

Raised at or beyond the limit, cleared only when clear of the limit by more than the deadband: exactly at
limit minus deadband it still stands. With an on-delay the number must stay beyond the limit for the whole
delay; with an off-delay a brief return does not clear (OPC 10000-9 v1.05, annex B.1.5).
"""

from dataclasses import dataclass


@dataclass(slots=True)
class HighLimit:
    """Watches one number against an upper limit; times are seconds of any clock that does not go back."""

    limit: float
    deadband: float = 0.0
    on_delay_s: float = 0.0
    off_delay_s: float = 0.0
    is_active: bool = False
    _since_s: float | None = None
    """Since when the number has been on the other side of what is told."""

    def see(self, value: float, time_s: float) -> bool:
        """Take in a value; return whether the limit counts as passed now."""
        if self.is_active:
            differs, delay_s = value < self.limit - self.deadband, self.off_delay_s
        else:
            differs, delay_s = value >= self.limit, self.on_delay_s
        if not differs:
            self._since_s = None
            return self.is_active
        if self._since_s is None:
            self._since_s = time_s
        if time_s - self._since_s >= delay_s:
            self.is_active = not self.is_active
            self._since_s = None
        return self.is_active
