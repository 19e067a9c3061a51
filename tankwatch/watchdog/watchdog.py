"""The watchdog of a room: readings and the passing of time in, steps of alarms out.

It holds everything it needs in memory, so that a slow disk never delays a warning, and it takes its time
from the readings and from `advance`: the same code serves the running watch and a replay.
"""

from collections.abc import Iterable
from typing import Any

from tankwatch.alarms.book import AlarmBook
from tankwatch.alarms.model import Alarm, Condition, Priority, Transition
from tankwatch.config import Config
from tankwatch.reading import Channel, Reading
from tankwatch.snapshot import TankSnapshot
from tankwatch.watchdog.picture import tank_snapshot
from tankwatch.watchdog.room import RoomRules
from tankwatch.watchdog.tank import TankWatch

_LOOK_EVERY_S = 30.0
_MOST_UNKNOWN = 1000
_NEVER = float("-inf")


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
        recent: Iterable[Transition] = (),
        holds: Iterable[str] | None = None,
        dealt: tuple[int, int] = (0, 1),
    ) -> None:
        """Start with what was learned (`memory`, as `remember` returned it) and the alarms that stood.

        `expects_all`: a tank that never sends anything is silent; a replay of some tanks turns it off.
        `recent`: the steps of the last minute before, for what chatters. `holds`: the tanks judged from the
        start, where others are taken up and given up later; none: all. `dealt`: see `AlarmBook`.
        """
        self.config = config
        realarm_min = config.alarms.realarm_min
        self.book = AlarmBook(
            standing,
            next_alarm_id,
            recent=recent,
            latching=config.alarms.latching,
            realarm_s=None if realarm_min is None else realarm_min * 60.0,
            dealt=dealt,
        )
        zone = config.room.zone
        held = None if holds is None else frozenset(holds)
        self._tanks = {
            tank.id: TankWatch(tank, zone, self.book)
            for tank in config.tank
            if held is None or tank.id in held
        }
        self._all = tuple(self._tanks.values())
        self._others: dict[str, Any] = {}
        """What was learned of tanks that are not held now."""
        self._room = RoomRules(self.book, expects_all=expects_all)
        self._now_s = float("-inf")
        self._next_look_s = float("-inf")
        self.unknown: dict[str, int] = {}
        """Readings of tanks that the configuration does not know, by tank."""
        for tank_id, learned in (memory or {}).items():
            if tank_id in self._tanks and isinstance(learned, dict):
                self._tanks[tank_id].recall(learned)
            elif held is not None:
                self._others[tank_id] = learned

    def take_up(self, tank_id: str, learned: Any, alarms: Iterable[Alarm]) -> None:
        """Begin to judge a tank that another watch judged, from what it learned and what stood there."""
        self.give_up(tank_id)
        self._others.pop(tank_id, None)
        tank = TankWatch(self.config.tank_by_id(tank_id), self.config.room.zone, self.book)
        tank.expected_from_s = self._now_s
        if isinstance(learned, dict):
            tank.recall(learned)
        for alarm in alarms:
            self.book.adopt(alarm)
        self._hold({**self._tanks, tank_id: tank})

    def give_up(self, tank_id: str) -> None:
        """Stop judging a tank: another watch goes on with it, and with its alarms."""
        tank = self._tanks.get(tank_id)
        if tank is not None:
            self._others[tank_id] = tank.remember()
            self._hold({name: other for name, other in self._tanks.items() if name != tank_id})
        self.book.let_go(tank_id)

    def _hold(self, tanks: dict[str, TankWatch]) -> None:
        self._tanks = {tank.id: tanks[tank.id] for tank in self.config.tank if tank.id in tanks}
        self._all = tuple(self._tanks.values())

    def feed(self, reading: Reading) -> None:
        """Judge one reading; readings come in order of arrival."""
        if reading.retained:
            tank = self._tanks.get(reading.tank)
            if tank is not None:
                tank.show_retained(reading, self._now_s)
            return
        self.take(reading.tank, reading.channel, reading.time_s, reading.value, reading.text)

    def take(self, tank_id: str, channel: Channel, stamp_s: float, value: float, text: str | None) -> None:
        """Judge one fresh value without making a `Reading` of it: the short way of a replay."""
        tank = self._tanks.get(tank_id)
        if tank is None:
            if len(self.unknown) < _MOST_UNKNOWN or tank_id in self.unknown:
                self.unknown[tank_id] = self.unknown.get(tank_id, 0) + 1
            return
        if self._now_s == _NEVER:
            self.advance(stamp_s)  # nobody has said yet what time it is in the room
        tank.take(channel, stamp_s, value, text, self._now_s)

    def advance(self, now_s: float, *, wall_s: float | None = None) -> None:
        """Let time pass up to `now_s`, the room's time in seconds since 1970 UTC: silence is judged here.

        The room's time must not jump when a wall clock does: the running watch adds monotonic time to the
        wall time of its start, and gives the wall's time as well, for what is told of the whole room. Going
        backwards is taken as standing still.
        """
        if now_s <= self._now_s:
            return
        self._now_s = now_s
        if now_s >= self.book.due_s:
            self.book.pass_time(now_s)
        if now_s >= self._next_look_s:
            self._next_look_s = now_s + _LOOK_EVERY_S
            self._room.look(self._all, now_s, 0.0 if wall_s is None else wall_s - now_s)

    def stood_still(self, gap_s: float) -> None:
        """Note that nobody listened for `gap_s` seconds: the watch was held up, or the machine slept.

        Probes were not silent in that time; their silence is counted on from where it was.
        """
        for tank in self._all:
            if tank.heard_s is not None:
                tank.heard_s += gap_s
        self._room.stood_still(gap_s)

    def heard(self, tank_id: str) -> None:
        """Note that a tank was heard just now, where its reading came before the room's time was known."""
        tank = self._tanks.get(tank_id)
        if tank is not None and tank.heard_s is not None:
            tank.heard_s = self._now_s

    def take_steps(self) -> list[Transition]:
        """Return the steps of alarms since the last call, in time order."""
        return self.book.take_steps()

    def acknowledge(self, alarm_id: int, who: str, now_s: float) -> None:
        """Note that `who` has seen an alarm.

        Raises:
            UsageError: no such alarm stands, or it was acknowledged before.
        """
        self.book.acknowledge(alarm_id, who, now_s)

    def reset(self, alarm_id: int, who: str, now_s: float) -> None:
        """Note that `who` has put right what latched an alarm; raises UsageError as the book does."""
        self.book.reset(alarm_id, who, now_s)

    def shelve(self, alarm_id: int, who: str, now_s: float, *, until_s: float, why: str) -> None:
        """Put an alarm away until `until_s`; raises UsageError as the book does."""
        self.book.shelve(alarm_id, who, now_s, until_s=until_s, why=why)

    def unshelve(self, alarm_id: int, who: str, now_s: float) -> None:
        """Bring a shelved alarm back as its cause stands; raises UsageError as the book does."""
        self.book.unshelve(alarm_id, who, now_s)

    def take_out_of_service(
        self, tank_id: str, condition: Condition, who: str, now_s: float, *, why: str
    ) -> None:
        """Stop judging one condition of a tank; raises UsageError as the book does."""
        self.book.take_out_of_service(tank_id, condition, who, now_s, why=why)

    def return_to_service(self, alarm_id: int, who: str, now_s: float) -> None:
        """Judge a condition again; raises UsageError as the book does."""
        self.book.return_to_service(alarm_id, who, now_s)

    def follow_service(self, tanks_in_service: Iterable[str], now_s: float) -> None:
        """Suppress the standing alarms that work in these tanks explains, and bring back the others."""
        self.book.follow_service(tanks_in_service, now_s)

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
        return {**self._others, **{tank.tank_id: tank.remember() for tank in self._all}}
