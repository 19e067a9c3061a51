"""The tanks that this watch judges now, between the thread that keeps the lease and the judge.

The lease's thread asks for changes; the judge makes them between two turns, so no reading is judged in part.
Everything that leaves the judge passes here: with the lease over, by this machine's own clock, nothing of a
tank is judged, stored or told, even when the process was held up for so long that it does not know it yet.
"""

import queue
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

from tankwatch.alarms.model import Alarm, AlarmState, Transition
from tankwatch.clock import Clock
from tankwatch.errors import UsageError
from tankwatch.reading import Reading
from tankwatch.snapshot import SplitSnapshot
from tankwatch.watchdog.watchdog import Watchdog


@dataclass(frozen=True, slots=True)
class Moved:
    """What comes with a tank from the watch that held it before."""

    token: int
    before: str | None = None
    learned: Any = None
    """As `TankWatch.remember` returned it; None: nothing was to be had."""
    alarms: tuple[Alarm, ...] = ()
    is_new_here: bool = False
    """The alarms are not in this watch's own store yet."""
    over: tuple[Alarm, ...] = ()
    """Alarms that stand in this watch's own store, and ended elsewhere."""
    cases: Mapping[str, Any] = field(default_factory=dict)
    """What people were told of the alarms, by number."""


@dataclass(frozen=True, slots=True)
class Change:
    """What the judge is asked to do between two turns: first to let go, then to take up."""

    lost: frozenset[str]
    taken: Mapping[str, Moved]
    until_s: float


@dataclass(frozen=True, slots=True)
class Told:
    """What the part that tells people must know: tanks that went, and what was told of those that came."""

    lost: frozenset[str]
    cases: Mapping[str, Any]


class StepsAndMemory(Protocol):
    """The part of the store that is written when tanks move."""

    def put_steps(self, steps: list[Transition]) -> None:
        """Keep steps of alarms."""
        ...

    def put_memory(self, key: str, value: dict[str, Any]) -> None:
        """Keep what was learned."""
        ...


class Portion:
    """The tanks held, until when, and the changes that wait for the judge."""

    def __init__(self, watch: str, clock: Clock, memory_key: str) -> None:
        """Begin with no tank; `memory_key`: under which the store keeps what was learned."""
        self.watch = watch
        self._clock = clock
        self._memory_key = memory_key
        self._until_s = float("-inf")
        self._holds: dict[str, int] = {}
        self._changes: queue.SimpleQueue[tuple[Change, Future[None]]] = queue.SimpleQueue()
        self._told: queue.SimpleQueue[Told] = queue.SimpleQueue()
        self._held_back: list[Transition] = []
        self.snapshot = SplitSnapshot(watch)
        """For the screen; replaced by the thread that keeps the lease."""

    # --- any thread ---

    @property
    def holds(self) -> Mapping[str, int]:
        """The tanks held, with their tokens; a lease that is over is not looked at."""
        return self._holds

    @property
    def until_s(self) -> float:
        """Monotonic time, s, until which tanks may be judged."""
        return self._until_s

    @property
    def is_open(self) -> bool:
        """Tell whether the lease stands, by this machine's clock."""
        return self._clock.monotonic_s() < self._until_s

    def has(self, tank: str | None) -> bool:
        """Tell whether something about `tank` may be told now; what is about the watch itself always may."""
        return tank is None or (tank in self._holds and self.is_open)

    def extend(self, until_s: float) -> None:
        """Renew the lease on what is held."""
        self._until_s = until_s

    def ask(self, change: Change) -> "Future[None]":
        """Have the judge make a change; the future ends when it is made."""
        future: Future[None] = Future()
        self._changes.put((change, future))
        return future

    def take_told(self) -> list[Told]:
        """Return the moves since the last call, for the part that tells people."""
        moves: list[Told] = []
        while True:
            try:
                moves.append(self._told.get_nowait())
            except queue.Empty:
                return moves

    # --- the judge ---

    def mine(self, readings: list[Reading]) -> list[Reading]:
        """Return the readings of the tanks held; none while the lease is over."""
        if not self.is_open:
            return []
        return [reading for reading in readings if reading.tank in self._holds]

    def due(self, steps: Sequence[Transition]) -> list[Transition]:
        """Return the steps that may be told; those of tanks wait while the lease is over."""
        waiting = [*self._held_back, *steps]
        if self.is_open:
            self._held_back = []
            return waiting
        self._held_back = [step for step in waiting if step.alarm.tank is not None]
        return [step for step in waiting if step.alarm.tank is None]

    def settle(self, watchdog: Watchdog, store: StepsAndMemory, wall_s: float) -> None:
        """Make the changes that wait."""
        while True:
            try:
                change, future = self._changes.get_nowait()
            except queue.Empty:
                return
            if not future.set_running_or_notify_cancel():
                continue
            try:
                self._make(change, watchdog, store, wall_s)
            except BaseException as error:
                future.set_exception(error)
                raise
            future.set_result(None)

    def see(self, tank: str) -> None:
        """See that `tank` is judged here.

        Raises:
            UsageError: another watch has it, or none.
        """
        if not self.has(tank):
            holder = self.snapshot.holders.get(tank)
            raise UsageError(
                f"tank {tank} is watched by {holder!r} now: ask that watch, with --as {holder}"
                if holder is not None and holder != self.watch
                else f"tank {tank} is changing hands: try again in a moment"
            )

    def _make(self, change: Change, watchdog: Watchdog, store: StepsAndMemory, wall_s: float) -> None:
        holds = {tank: token for tank, token in self._holds.items() if tank not in change.lost}
        taken = {t: moved for t, moved in change.taken.items() if holds.get(t) != moved.token}
        for tank in change.lost:
            watchdog.give_up(tank)
        gone = change.lost | set(taken)
        self._held_back = [step for step in self._held_back if step.alarm.tank not in gone]
        for tank, moved in taken.items():
            watchdog.take_up(tank, moved.learned, moved.alarms)
            store.put_steps(steps_of_a_move(moved, wall_s))
            holds[tank] = moved.token
        if gone:
            store.put_memory(self._memory_key, watchdog.remember())
            cases = {number: case for moved in taken.values() for number, case in moved.cases.items()}
            self._told.put(Told(frozenset(gone), cases))
        self._holds = holds
        self._until_s = change.until_s


def steps_of_a_move(moved: Moved, wall_s: float) -> list[Transition]:
    """Return what the store of the new holder must say of the alarms that came, and of its own that are
    over."""
    steps = [
        Transition(
            replace(alarm, state=AlarmState.NORMAL, changed_s=wall_s, holds=False, until_s=None),
            alarm.state,
            wall_s,
            why="it went on with another watch",
        )
        for alarm in moved.over
    ]
    if moved.is_new_here:
        why = f"taken over from watch {moved.before}"
        steps += [Transition(a, AlarmState.NORMAL, a.changed_s, a.who, why) for a in moved.alarms]
    return steps


def tanks_of(alarms: Iterable[Alarm], tank: str) -> tuple[Alarm, ...]:
    """Return the alarms of one tank."""
    return tuple(alarm for alarm in alarms if alarm.tank == tank)
