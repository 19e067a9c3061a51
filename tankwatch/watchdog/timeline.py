"""One tank's time: made to run forward whatever the probe's clock does.

A probe without a battery steps its clock by an hour or by years when it finds a time server. What has
gone back is no fault: its new stamps are laid behind the old ones. Single late readings are left out.
"""

_LATE_READINGS_TO_BELIEVE = 6
_SMALLEST_STEP_S = 120.0


class Timeline:
    """Turns stamps of one tank's probe into times that only grow."""

    __slots__ = ("_earlier_shift_s", "_last_late_s", "_late_count", "last_s", "shift_s")

    def __init__(self) -> None:
        """Start with no reading seen."""
        self.last_s = float("-inf")
        """Newest time handed out, s."""
        self.shift_s = 0.0
        """What is added to a stamp to get a time, s."""
        self._earlier_shift_s: float | None = None
        self._late_count = 0
        self._last_late_s = float("-inf")

    def accept(self, stamp_s: float, interval_s: float) -> float | None:
        """Return the time of a temperature reading stamped `stamp_s`, or None to leave it out.

        `interval_s` is the usual time between two readings.
        """
        time_s = stamp_s + self.shift_s
        if time_s > self.last_s:
            if self._earlier_shift_s is not None and time_s - self.last_s > _SMALLEST_STEP_S:
                # The late readings were a backlog and not a clock put back: return to the old line.
                back_s = stamp_s + self._earlier_shift_s
                if self.last_s < back_s < time_s:
                    self.shift_s, time_s = self._earlier_shift_s, back_s
                self._earlier_shift_s = None
            self._late_count = 0
            self.last_s = time_s
            return time_s
        if time_s == self.last_s:
            return None
        return self._late(time_s, interval_s)

    def _late(self, time_s: float, interval_s: float) -> float | None:
        self._late_count = self._late_count + 1 if time_s > self._last_late_s else 1
        self._last_late_s = time_s
        behind_s = self.last_s - time_s
        if self._late_count < _LATE_READINGS_TO_BELIEVE or behind_s < _SMALLEST_STEP_S:
            return None
        self._earlier_shift_s = self.shift_s
        self.shift_s += behind_s + interval_s
        self._late_count = 0
        self.last_s = time_s + behind_s + interval_s
        return self.last_s
