"""Chattering: an alarm that comes and goes so fast that each message about it would be noise."""

from collections import deque
from collections.abc import Hashable

ACTIVATIONS = 3
WINDOW_S = 60.0
"""Chattering is three activations or more in a minute (definition of EEMUA 191 and ANSI/ISA-18.2)."""


class ChatterDetector:
    """Counts how often each alarm became active in the last minute."""

    def __init__(self) -> None:
        """Begin with no activations."""
        self._times: dict[Hashable, deque[float]] = {}

    def activated(self, key: Hashable, time_s: float) -> int:
        """Note an activation; return how many fell within the minute that ends with it."""
        times = self._times.setdefault(key, deque())
        times.append(time_s)
        while time_s - times[0] > WINDOW_S:
            times.popleft()
        return len(times)

    def forget_before(self, time_s: float) -> None:
        """Drop what can no longer count at `time_s` or later."""
        for key in [key for key, times in self._times.items() if time_s - times[-1] > WINDOW_S]:
            del self._times[key]


def is_chattering(activations: int) -> bool:
    """Tell whether so many activations in a minute are chattering."""
    return activations >= ACTIVATIONS
