"""When a room was last known to live, from documents that may come late, twice, or from a broker's memory.

What a broker kept (retained) says nothing about now, and a bridge that comes back repeats old documents as
if they were new. So a document is a sign of life only if it was not kept, if its run counts further than
anything heard of that run, and if it does not lag: between two signs of life as much time passes here as
there. No wall clock is asked, except for the first word of a run: it must bear about the time of this
machine, or be followed by another.
"""

from dataclasses import dataclass

from tankwatch.clock import Clock

_STEADY_S = 10.0
"""Two words that lag equally, and came so long after one another, are live: their machine slept meanwhile."""


@dataclass(frozen=True, slots=True)
class Said:
    """When something was said, by the count of the run and by its wall clock."""

    run: str
    up_s: float
    time_s: float


class Pulse:
    """Hears what one room says; all times are monotonic seconds of this machine."""

    def __init__(self, clock: Clock) -> None:
        """Begin without having heard anything."""
        self._clock = clock
        self._newest: Said | None = None
        self._alive: Said | None = None
        self._alive_s = float("-inf")
        self._least_lag_s = 0.0
        """Smallest difference seen between this machine's clock and the count of the run."""
        self._lagging: tuple[float, float] | None = None
        """Lag of the last word that came late, and when it came."""

    def hear(self, said: Said, *, retained: bool, limit_s: float) -> None:
        """Hear that something was said; a lag of more than `limit_s` seconds makes it old news."""
        now_s = self._clock.monotonic_s()
        lag_s = now_s - said.up_s
        before = self._newest
        if before is not None and before.run == said.run:
            if said.up_s <= before.up_s:
                return
            is_late = lag_s - self._least_lag_s > limit_s and not self._lags_steadily(lag_s, now_s)
        else:
            is_late = abs(self._clock.wall_s() - said.time_s) > limit_s
            self._least_lag_s = lag_s
        self._newest = said
        self._least_lag_s = min(self._least_lag_s, lag_s)
        if not retained and not is_late:
            self._alive, self._alive_s = said, now_s

    def _lags_steadily(self, lag_s: float, now_s: float) -> bool:
        if self._lagging is not None and now_s - self._lagging[1] >= _STEADY_S:
            if abs(lag_s - self._lagging[0]) <= _STEADY_S:
                self._least_lag_s, self._lagging = lag_s, None
                return True
            self._lagging = None
        self._lagging = self._lagging or (lag_s, now_s)
        return False

    @property
    def since_alive_s(self) -> float:
        """Seconds since the last sign of life; infinite before the first."""
        return self._clock.monotonic_s() - self._alive_s

    @property
    def age_s(self) -> float | None:
        """The same; before the first the age of what was kept, by the clocks of both machines; or None."""
        if self._alive is not None:
            return self.since_alive_s
        return None if self._newest is None else max(0.0, self._clock.wall_s() - self._newest.time_s)

    @property
    def run(self) -> str | None:
        """The run that lived last."""
        return None if self._alive is None else self._alive.run

    @property
    def up_s(self) -> float | None:
        """What that run counts now, if it still runs."""
        return None if self._alive is None else self._alive.up_s + self.since_alive_s
