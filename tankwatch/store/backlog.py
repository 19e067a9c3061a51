"""What waits in memory to be written: readings in a bounded queue, everything else in an endless one.

When the disk does not keep up the oldest readings go, and are counted. Steps of alarms, marks and log
entries are few and are never dropped.
"""

from collections import deque
from collections.abc import Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Any

from tankwatch.reading import Reading

Event = tuple[str, tuple[Any, ...]]
"""A statement and its row."""

_AGE_STEP_S = 0.1
"""Readings put within this time share one note of when they came."""


@dataclass(slots=True)
class Backlog:
    """Not thread-safe: the writer guards it with its own lock.

    Readings count up: `put` were given in, `done` have left (written, dropped or refused).
    """

    limit: int
    readings: deque[Reading] = field(default_factory=deque)
    events: deque[Event] = field(default_factory=deque)
    memory: dict[str, tuple[int, Event]] = field(default_factory=dict)
    """What was learned, by key, numbered as it came: only the newest of each key is worth writing."""
    in_hand: int = 0
    """Readings taken by the writer and not yet settled."""
    put: int = 0
    done: int = 0
    dropped: int = 0
    """Readings lost because the queue was full, or not fit to be stored."""
    events_put: int = 0
    events_done: int = 0
    memory_put: int = 0
    _kept: deque[tuple[int, "Future[None]"]] = field(default_factory=deque)
    """Who waits to hear that so many events are written."""
    _arrivals: deque[tuple[float, int]] = field(default_factory=deque)
    """Monotonic time of arrival, and `put` before it."""

    @property
    def waiting(self) -> int:
        """Readings not yet written, those in the writer's hand included."""
        return len(self.readings) + self.in_hand

    def add_readings(self, readings: Sequence[Reading], now_s: float) -> None:
        """Queue `readings`; the oldest in the queue go if it overflows."""
        if not self._arrivals or now_s - self._arrivals[-1][0] >= _AGE_STEP_S:
            self._arrivals.append((now_s, self.put))
        self.readings.extend(readings)
        self.put += len(readings)
        self._trim()

    def add_events(self, events: Sequence[Event]) -> None:
        """Queue steps, marks or log entries."""
        self.events.extend(events)
        self.events_put += len(events)

    def add_memory(self, key: str, event: Event) -> None:
        """Queue what was learned in place of what waits under the same key."""
        self.memory_put += 1
        self.memory[key] = (self.memory_put, event)

    def settle_events(self, count: int) -> None:
        """Note that the `count` oldest events are written."""
        for _ in range(count):
            self.events.popleft()
        self.events_done += count
        while self._kept and self._kept[0][0] <= self.events_done:
            _, future = self._kept.popleft()
            if future.set_running_or_notify_cancel():
                future.set_result(None)

    def kept(self) -> "Future[None]":
        """Return a future that ends when every event handed over so far is written."""
        future: Future[None] = Future()
        if self.events_done >= self.events_put:
            future.set_result(None)
        else:
            self._kept.append((self.events_put, future))
        return future

    def settle_memory(self, written: Mapping[str, tuple[int, Event]]) -> None:
        """Note that `written` is; what came meanwhile under the same key goes on waiting."""
        for key, numbered in written.items():
            if self.memory.get(key) == numbered:
                del self.memory[key]

    def mark(self) -> tuple[int, int, int]:
        """Return where the queues stand, to ask `passed` later."""
        return self.put, self.events_put, self.memory_put

    def passed(self, mark: tuple[int, int, int]) -> bool:
        """Tell whether all that was handed over before `mark` was taken has left the queues."""
        put, events_put, memory_put = mark
        return (
            self.done >= put
            and self.events_done >= events_put
            and all(number > memory_put for number, _ in self.memory.values())
        )

    def take_readings(self, most: int) -> list[Reading]:
        """Take up to `most` of the oldest readings in hand."""
        count = min(most, len(self.readings))
        taken = [self.readings.popleft() for _ in range(count)]
        self.in_hand += count
        return taken

    def settle(self, count: int, refused: int) -> None:
        """Note that `count` readings in hand are written, but for `refused` of them that never can be."""
        self.in_hand -= count
        self.dropped += refused
        self._leave(count)

    def give_back(self, readings: Sequence[Reading]) -> None:
        """Put readings in hand back where they were: they could not be written now."""
        self.in_hand -= len(readings)
        self.readings.extendleft(reversed(readings))
        self._trim()

    def age_s(self, now_s: float) -> float:
        """Return how long the oldest waiting reading has waited, in seconds."""
        if self.put == self.done or not self._arrivals:
            return 0.0
        return max(0.0, now_s - self._arrivals[0][0])

    def _trim(self) -> None:
        surplus = len(self.readings) + self.in_hand - self.limit
        if surplus <= 0:
            return
        surplus = min(surplus, len(self.readings))
        for _ in range(surplus):
            self.readings.popleft()
        self.dropped += surplus
        self._leave(surplus)

    def _leave(self, count: int) -> None:
        self.done += count
        while len(self._arrivals) > 1 and self._arrivals[1][1] <= self.done:
            self._arrivals.popleft()
        if self.put == self.done:
            self._arrivals.clear()
