"""Wall and monotonic time, injected wherever time matters.

Time-outs and ages use the monotonic clock: boards without a battery step their wall clock by years
when the network comes up, and that must neither fire nor mute anything. Stamps in the store are UTC.
"""

import time
from dataclasses import dataclass
from typing import Protocol

_AGES: int = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
"""What ages are counted by. Linux stops CLOCK_MONOTONIC while a laptop sleeps: a value of last evening would
be shown as fresh in the morning. Where CLOCK_BOOTTIME is unknown the monotonic clock serves."""


class Clock(Protocol):
    """What the program needs to know of time."""

    def wall_s(self) -> float:
        """Return seconds since 1970-01-01T00:00:00Z."""
        ...

    def monotonic_s(self) -> float:
        """Return seconds of a clock that never steps, and goes on while the machine sleeps."""
        ...


class SystemClock:
    """The machine's own clocks."""

    def wall_s(self) -> float:
        """Return the machine's idea of UTC, in seconds since 1970."""
        return time.time()

    def monotonic_s(self) -> float:
        """Return the machine's monotonic clock, in seconds; it goes on while the machine sleeps."""
        return time.clock_gettime(_AGES)


@dataclass
class ManualClock:
    """A clock that stands still until it is moved; for tests and for replay."""

    wall: float = 1_790_000_000.0
    monotonic: float = 0.0

    def wall_s(self) -> float:
        """Return the wall time set so far, in seconds since 1970."""
        return self.wall

    def monotonic_s(self) -> float:
        """Return the monotonic time passed so far, in seconds."""
        return self.monotonic

    def advance(self, seconds: float) -> None:
        """Let `seconds` pass on both clocks."""
        self.wall += seconds
        self.monotonic += seconds

    def step_wall(self, seconds: float) -> None:
        """Step only the wall clock, as a time server does."""
        self.wall += seconds
