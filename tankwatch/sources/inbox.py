"""The one queue between the sources and the watchdog: bounded, drops the oldest, and counts what it drops."""

import threading
import time
from collections import Counter, deque
from collections.abc import Sequence

from tankwatch.reading import Reading


class Inbox:
    """Readings on their way from the threads of the sources to the one that judges.

    `put` never waits: a network thread that waits misses its keepalive. When the judge is so far behind
    that the inbox is full, the oldest readings go, since a late warning is better than none.
    """

    def __init__(self, capacity: int = 100_000, *, gather_s: float = 0.0) -> None:
        """Start empty, with room for `capacity` readings.

        `gather_s`: after the first reading has come, `take` waits so long for more, since waking for each
        one costs more than judging it.

        Raises:
            ValueError: there is room for none.
        """
        if capacity < 1:
            raise ValueError(f"expected a capacity of at least 1, got {capacity}")
        self._capacity = capacity
        self._readings: deque[Reading] = deque()
        self._dropped: Counter[str] = Counter()
        self._gather_s = gather_s
        self._lock = threading.Lock()
        self._filled = threading.Condition(self._lock)
        self._waiting = False

    def put(self, readings: Sequence[Reading]) -> None:
        """Add `readings`, in order; from any thread."""
        if not readings:
            return
        with self._lock:
            waiting = self._readings
            waiting.extend(readings)
            while len(waiting) > self._capacity:
                self._dropped[waiting.popleft().source] += 1
            if self._waiting:
                self._filled.notify()

    def take(self, timeout_s: float) -> list[Reading]:
        """Return all that is there, oldest first; wait at most `timeout_s` seconds for the first."""
        if self._gather_s:
            with self._lock:
                has_come = self._wait(timeout_s)
            if has_come:
                time.sleep(min(self._gather_s, timeout_s))
        with self._lock:
            if not self._gather_s:
                self._wait(timeout_s)
            taken = list(self._readings)
            self._readings.clear()
            return taken

    def _wait(self, timeout_s: float) -> bool:
        """Wait for the first reading; the lock is held. Return whether there is one."""
        if not self._readings:
            self._waiting = True  # only then is waking worth its cost
            self._filled.wait_for(lambda: self._readings, timeout_s)
            self._waiting = False
        return bool(self._readings)

    def dropped(self, source_id: str) -> int:
        """Return how many readings of `source_id` were dropped so far."""
        with self._lock:
            return self._dropped[source_id]
