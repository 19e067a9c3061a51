"""The room's time in a replay, made of the stamps of many probes.

One probe whose clock jumps must not make all others look silent: a leap counts only when another tank
leaps as well, or when there is nobody else to ask.
"""

_SMALL_STEP_S = 300.0
_FRESH_S = 900.0
_AGREE_S = 600.0
_BACK_READINGS = 6


class RoomClock:
    """Turns stamps in order of arrival into a time that only grows."""

    def __init__(self) -> None:
        """Start before the first stamp."""
        self.now_s = float("-inf")
        self.leapt: tuple[str, ...] = ()
        """Tanks that were heard while a leap of theirs waited to be believed; for the caller to clear."""
        self._offset_s: dict[str, float] = {}
        self._seen_s: dict[str, float] = {}
        self._leaps: dict[str, tuple[float, int]] = {}
        self._back: dict[str, int] = {}

    def see(self, tank: str, stamp_s: float) -> float:
        """Take a stamp of `tank` and return the room's time."""
        time_s = stamp_s - self._offset_s.get(tank, 0.0)
        ahead_s = time_s - self.now_s
        if ahead_s <= _SMALL_STEP_S:
            if ahead_s > 0:
                self.now_s = time_s
                self._back[tank] = 0
            elif ahead_s < -_SMALL_STEP_S:
                self._fell_back(tank, stamp_s)
            self._leaps.pop(tank, None)
            self._seen_s[tank] = self.now_s
            return self.now_s
        others = [t for t, seen_s in self._seen_s.items() if t != tank and self.now_s - seen_s < _FRESH_S]
        if not others:
            self._leap(time_s)
            self._seen_s[tank] = self.now_s
            return self.now_s
        self._leaps[tank] = (time_s, self._leaps.get(tank, (0.0, 0))[1] + 1)
        agreeing = [s for t, (s, _) in self._leaps.items() if t != tank and abs(s - time_s) < _AGREE_S]
        if agreeing:
            self._leap(min(time_s, *agreeing))
            self._seen_s[tank] = self.now_s
        elif self._leaps[tank][1] >= _BACK_READINGS:
            self._offset_s[tank] = stamp_s - self.now_s  # this probe's clock alone has jumped
            self._leaps.pop(tank)
            self._seen_s[tank] = self.now_s
        return self.now_s

    def _leap(self, time_s: float) -> None:
        self.now_s = time_s
        self.leapt = tuple(self._leaps)
        self._leaps.clear()

    def _fell_back(self, tank: str, stamp_s: float) -> None:
        self._back[tank] = self._back.get(tank, 0) + 1
        if self._back[tank] >= _BACK_READINGS:
            self._offset_s[tank] = stamp_s - self.now_s
            self._back[tank] = 0
