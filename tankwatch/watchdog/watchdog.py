"""The watchdog of a room: readings and the passing of time in, steps of alarms out.

It holds everything it needs in memory, so that a slow disk never delays a warning, and it takes its time
from the readings and from `advance`: the same code serves the running watch and a replay.
"""

from collections.abc import Iterable
from typing import Any

from tankwatch.alarms.book import AlarmBook
from tankwatch.alarms.model import Alarm, Condition, Priority, Transition
from tankwatch.config import Config
from tankwatch.reading import Reading
from tankwatch.snapshot import TankSnapshot
from tankwatch.watchdog.picture import tank_snapshot
from tankwatch.watchdog.room import RoomRules
from tankwatch.watchdog.tank import TankWatch

_LOOK_EVERY_S = 30.0


class Watchdog:
    """Judges the readings of every tank of `config`.

    Not thread-safe: one thread feeds it, advances it and asks for pictures.
    """

    def __init__(
        self,
        config: Config,
        *,
        memory: dict[str, Any] | None = None,
        standing: Iterable[Alarm] = (),
        next_alarm_id: int = 1,
        expects_all: bool = True,
    ) -> None:
        """Start with what was learned (`memory`, as `remember` returned it) and the alarms that stood.

        `expects_all`: a tank that never sends anything is silent; a replay of some tanks turns it off.
        """
        self.config = config
        self.book = AlarmBook(standing, next_alarm_id)
        zone = config.room.zone
        self._tanks = {tank.id: TankWatch(tank, zone, self.book) for tank in config.tank}
        self._all = tuple(self._tanks.values())
        self._room = RoomRules(self.book, expects_all=expects_all)
        self._now_s = float("-inf")
        self._next_look_s = float("-inf")
        self.unknown: dict[str, int] = {}
        """Readings of tanks that the configuration does not know, by tank."""
        for tank_id, learned in (memory or {}).items():
            if tank_id in self._tanks and isinstance(learned, dict):
                self._tanks[tank_id].recall(learned)

    def feed(self, reading: Reading) -> None:
        """Judge one reading; readings come in order of arrival."""
        tank = self._tanks.get(reading.tank)
        if tank is None:
            if len(self.unknown) < 1000 or reading.tank in self.unknown:
                self.unknown[reading.tank] = self.unknown.get(reading.tank, 0) + 1
            return
        tank.feed(reading, self._now_s)

    def advance(self, now_s: float) -> None:
        """Let time pass up to `now_s`, the room's time in seconds since 1970 UTC: silence is judged here.

        The room's time must not jump when a wall clock does: the running watch adds monotonic time to the
        wall time of its start. Going backwards is taken as standing still.
        """
        if now_s <= self._now_s:
            return
        self._now_s = now_s
        if now_s >= self._next_look_s:
            self._next_look_s = now_s + _LOOK_EVERY_S
            self._room.look(self._all, now_s)

    def take_steps(self) -> list[Transition]:
        """Return the steps of alarms since the last call, in time order."""
        return self.book.take_steps()

    def acknowledge(self, alarm_id: int, who: str, now_s: float) -> None:
        """Note that `who` has seen an alarm.

        Raises:
            UsageError: no such alarm stands, or it was acknowledged before.
        """
        self.book.acknowledge(alarm_id, who, now_s)

    def tell_self(
        self,
        condition: Condition,
        active: bool,
        now_s: float,
        message: str,
        *,
        subject: str | None = None,
        priority: Priority = Priority.HIGH,
    ) -> None:
        """Raise or end an alarm about the watch itself: `source-lost`, `store-behind`, `watch-stalled`."""
        if condition is Condition.SOURCE_LOST and subject is not None:
            self._room.source_lost(subject, active)
        if active:
            self.book.begin(None, condition, priority, now_s, message, subject=subject)
        else:
            self.book.end(None, condition, now_s, subject=subject)

    def tank(self, tank_id: str) -> TankWatch:
        """Return the watch over one tank.

        Raises:
            KeyError: the configuration has no such tank.
        """
        return self._tanks[tank_id]

    def tanks(self, now_s: float) -> tuple[TankSnapshot, ...]:
        """Return a picture of every tank at the room's time `now_s`, in the order of the configuration."""
        return tuple(tank_snapshot(tank, now_s) for tank in self._all)

    def remember(self) -> dict[str, Any]:
        """Return what was learned, fit for JSON, to be handed to the next watchdog."""
        return {tank.tank_id: tank.remember() for tank in self._all}
