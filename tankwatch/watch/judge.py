"""The judge: the one thread that feeds the watchdog, lets its time pass and hands on what it finds.

Each turn takes what the sources left, judges it from memory, and only then hands it to the store. Once a
second it lets time pass, looks at the health of sources and store, and publishes a picture of the room.
"""

import logging
import queue
import threading
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass

from tankwatch import __version__
from tankwatch.alarms.model import AlarmState, Condition, Priority, Transition
from tankwatch.clock import Clock
from tankwatch.config import Config
from tankwatch.control.protocol import (
    Acknowledge,
    AcknowledgeCode,
    Action,
    Mark,
    Note,
    OutOfService,
    Reset,
    ReturnToService,
    Shelve,
    Unshelve,
)
from tankwatch.errors import TankwatchError, UsageError
from tankwatch.notify.codes import Permit
from tankwatch.reading import Channel, Reading, ServiceMark
from tankwatch.rooms.links import subjects_of, told_as
from tankwatch.snapshot import RoomSnapshot, SourceSnapshot
from tankwatch.split.portion import Portion
from tankwatch.store.entry import LogEntry
from tankwatch.watch.parts import Keeper, ReadingInbox, SourceHealth
from tankwatch.watchdog.watchdog import Watchdog

log = logging.getLogger(__name__)

LEASES = "leases"
"""What is told as lost where the leases of a split room cannot be reached."""
MEMORY_KEY = "watchdog"
"""Under which the store keeps what the watchdog learned."""
TURN_S = 0.2
"""Longest wait for readings, so that an action from the screen is carried out at once."""
SOURCES_WAKE_S = 5.0
"""After the whole process stood still its sources get so long to give a sign of life."""
CLOCK_STEP_S = 2.0
"""A change of the wall clock against the monotonic one that is more than a correction."""


@dataclass(frozen=True, slots=True)
class Timing:
    """How often the judge looks, and how long it waits before it tells of trouble with the watch itself."""

    source_lost_after_s: float = 20.0
    """A source without connection for less is no news: brokers restart, links blink."""
    source_back_after_s: float = 3.0
    """And the connection must hold for this long before the alarm ends."""
    fault_ends_after_s: float = 60.0
    """A fault of the watch's own code is over after this time without another."""
    stalled_after_s: float = 15.0
    """A judge that has not come round for this long is stalled."""
    save_memory_every_s: float = 300.0
    tick_s: float = 1.0
    """Between two pictures of the room."""


class Judge:
    """Runs the watchdog over what the sources bring."""

    def __init__(
        self,
        config: Config,
        watchdog: Watchdog,
        *,
        inbox: ReadingInbox,
        sources: SourceHealth,
        store: Keeper,
        clock: Clock,
        publish: Callable[[RoomSnapshot], None],
        timing: Timing | None = None,
        permit_of_code: Callable[[str], Permit] | None = None,
        on_stood_still: Callable[[float], None] | None = None,
        portion: Portion | None = None,
    ) -> None:
        """Tie the parts together; nothing runs until `run`, or `turn` is called in a test.

        `permit_of_code` tells which alarms a short code acknowledges; `on_stood_still` is told for how many
        seconds nothing was judged, when that is over. `portion`: the tanks that this watch has of a room that
        several watches share.
        """
        self.config = config
        self.watchdog = watchdog
        self.timing = timing or Timing()
        self._inbox = inbox
        self._sources = sources
        self._store = store
        self._clock = clock
        self._publish = publish
        self._permit_of_code = permit_of_code
        self._on_stood_still = on_stood_still
        self._portion = portion
        self._sources_from_s = float("-inf")
        self._actions: queue.SimpleQueue[tuple[Action, Future[None]]] = queue.SimpleQueue()
        self._tanks = {tank.id for tank in config.tank}
        self._started_s = clock.wall_s()
        now = clock.monotonic_s()
        self.heartbeat_s = now
        """When the judge last came round, by the monotonic clock; read by the guard."""
        self._next_tick_s = now
        self._next_save_s = now + self.timing.save_memory_every_s
        self._started_monotonic_s = now
        self._wall_minus_monotonic_s = self._started_s - now
        subjects = (*(source.id for source in config.source), *subjects_of(config))
        self._links = {subject: _Link() for subject in subjects}
        self._store_is_new = threading.Event()
        self._fault_s: float | None = None
        self._fault = ""
        self._take_up_alarms_of_sources()

    def carry(self, action: Action) -> "Future[None]":
        """Have `action` carried out at the next turn; may be called from any thread."""
        future: Future[None] = Future()
        self._actions.put((action, future))
        return future

    def tell_store_again(self) -> None:
        """Have what stands and what was learned written into a store that was begun anew; from any thread."""
        self._store_is_new.set()

    def run(self, stop: threading.Event) -> None:
        """Take turns until `stop` is set; nothing that fails in a turn ends the watch."""
        while not stop.is_set():
            try:
                self.turn(TURN_S)
            except Exception:
                self._note_fault("the watch failed in a turn")
                stop.wait(self.timing.tick_s)  # a fault that repeats must not use up the machine

    def turn(self, timeout_s: float) -> None:
        """Judge what has come, carry out what was asked, and tick when a second has passed."""
        self._beat()
        self._judge(min(timeout_s, max(0.0, self._next_tick_s - self._clock.monotonic_s())))
        self._carry_out()
        if self._clock.monotonic_s() >= self._next_tick_s:
            self._tick()
        self._keep_steps()

    def finish(self) -> None:
        """Judge what is left and keep what was learned; called once after `run` has ended."""
        self._judge(0.0)
        self._carry_out()
        self._keep_steps()
        self._store.put_memory(MEMORY_KEY, self.watchdog.remember())

    def _judge(self, wait_s: float) -> None:
        """Judge what has come, from memory, and only then hand it to the store."""
        readings = self._inbox.take(wait_s)
        if self._portion is not None:
            readings = self._portion.mine(readings)
        try:
            self.watchdog.advance(self._room_s(), wall_s=self._clock.wall_s())
        except Exception:
            self._note_fault("the passing of time could not be judged")
        for reading in readings:
            self._feed(reading)
        if readings:
            self._store.put_readings(readings)
        if self._portion is not None:
            # Only now: what came before a tank was taken up was for the watch that had it then.
            self._portion.settle(self.watchdog, self._store, self._clock.wall_s())

    def _room_s(self) -> float:
        """Return the room's time. It only flows: a stepped wall clock must neither fire nor mute anything."""
        return self._started_s + (self._clock.monotonic_s() - self._started_monotonic_s)

    def _beat(self) -> None:
        now = self._clock.monotonic_s()
        gap_s = now - self.heartbeat_s
        self.heartbeat_s = now
        if gap_s > self.timing.stalled_after_s:
            self._note_fault(f"the watch stood still for {gap_s:.0f} s", with_trace=False)
            self.watchdog.stood_still(gap_s)
            self._sources_from_s = now + SOURCES_WAKE_S
            if self._on_stood_still is not None:
                self._on_stood_still(gap_s)

    def _feed(self, reading: Reading) -> None:
        try:
            self.watchdog.feed(reading)
        except Exception:
            self._note_fault(f"a {reading.channel.value} reading of tank {reading.tank} could not be judged")

    def _keep_steps(self) -> None:
        steps = self.watchdog.take_steps()
        if self._portion is not None:
            steps = self._portion.due(steps)
        if not steps:
            return
        self._store.put_steps(steps)
        for step in steps:
            alarm = step.alarm
            log.info(
                "%s: %s %s (%s): %s",
                alarm.tank or alarm.subject or "room",
                alarm.condition.value,
                alarm.state.value,
                alarm.priority.value,
                alarm.message,
            )

    def _carry_out(self) -> None:
        while True:
            try:
                action, future = self._actions.get_nowait()
            except queue.Empty:
                return
            if not future.set_running_or_notify_cancel():
                continue  # whoever asked has given up: do not do late what was reported as not done
            try:
                self._act(action)
                self._keep_steps()  # before the answer: who waits for the disk then waits for these too
            except TankwatchError as error:
                future.set_exception(error)
            except Exception:
                self._note_fault("a request could not be carried out")
                future.set_exception(TankwatchError("the watch failed on this request; look at its log file"))
            else:
                future.set_result(None)

    def _act(self, action: Action) -> None:
        now_s = self._clock.wall_s()
        match action:
            case Acknowledge():
                self.watchdog.acknowledge(action.alarm_id, action.who, now_s)
            case AcknowledgeCode():
                self._acknowledge_code(action, now_s)
            case Shelve():
                until_s = self._room_s() + action.minutes * 60.0
                self.watchdog.shelve(
                    action.alarm_id, action.who, self._room_s(), until_s=until_s, why=action.why
                )
            case Unshelve():
                self.watchdog.unshelve(action.alarm_id, action.who, now_s)
            case OutOfService():
                self._check_tank(action.tank)
                self.watchdog.take_out_of_service(
                    action.tank, action.condition, action.who, now_s, why=action.why
                )
            case ReturnToService():
                self.watchdog.return_to_service(action.alarm_id, action.who, now_s)
            case Reset():
                self.watchdog.reset(action.alarm_id, action.who, now_s)
            case Mark():
                self._check_tank(action.tank)
                self._mark(action, now_s)
            case Note():
                if action.tank is not None:
                    self._check_tank(action.tank)
                self._store.put_log(
                    LogEntry(
                        time_s=now_s,
                        tank=action.tank,
                        kind=action.kind,
                        text=action.text,
                        who=action.who,
                        photos=action.photos,
                    )
                )

    def _acknowledge_code(self, action: AcknowledgeCode, now_s: float) -> None:
        """Acknowledge what still stands of the alarms of a code; an alarm that is over needs nothing."""
        if self._permit_of_code is None:
            raise UsageError("this watch sends no messages, so there are no codes")
        wanted = self._permit_of_code(action.code).alarms
        open_states = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED)
        standing = [a for a in self.watchdog.book.standing if a.alarm_id in wanted and a.state in open_states]
        if not standing:
            raise UsageError("the alarms of this code are acknowledged or over already")
        for alarm in standing:
            self.watchdog.acknowledge(alarm.alarm_id, action.who, now_s)

    def _mark(self, action: Mark, now_s: float) -> None:
        word = ServiceMark(action.mark)
        self.watchdog.feed(
            Reading(action.tank, Channel.SERVICE, now_s, 0.0, text=word.value, source=action.who)
        )
        self._store.put_mark(action.tank, word, now_s, action.who)

    def _check_tank(self, tank: str) -> None:
        if tank not in self._tanks:
            raise UsageError(f"no tank {tank!r}; known: {', '.join(sorted(self._tanks)) or 'none'}")
        if self._portion is not None:
            self._portion.see(tank)

    def _tick(self) -> None:
        monotonic_s = self._clock.monotonic_s()
        now_s = self._clock.wall_s()
        # Counted from now, not from the tick that was due: a machine that was busy must not tick in a burst.
        self._next_tick_s = monotonic_s + self.timing.tick_s
        self._look_at_clock(now_s, monotonic_s)
        sources = self._sources.health()
        self._look_at_sources(sources, now_s, monotonic_s)
        store = self._store.health()
        if self._store_is_new.is_set():
            self._store_is_new.clear()
            self._tell_store_again()
        self.watchdog.tell_self(
            Condition.STORE_BEHIND,
            store.state != "fine",
            now_s,
            f"the store is {store.state}: {store.detail or f'{store.behind_s:.0f} s behind'}; "
            "the watch goes on, but what it sees may not be kept",
        )
        self._look_at_itself(now_s, monotonic_s)
        if self._portion is not None:
            trouble = self._portion.snapshot.trouble
            self.watchdog.tell_self(
                Condition.SOURCE_LOST,
                bool(trouble),
                now_s,
                f"the leases cannot be reached ({trouble}): this watch goes on with its tanks, and in time "
                "takes all of them, so that alarms may come from more than one watch",
                subject=LEASES,
            )
        if monotonic_s >= self._next_save_s:
            self._next_save_s = monotonic_s + self.timing.save_memory_every_s
            self._store.put_memory(MEMORY_KEY, self.watchdog.remember())
        tanks = self.watchdog.tanks(self._room_s())
        self.watchdog.follow_service([tank.tank_id for tank in tanks if tank.service], self._room_s())
        self._keep_steps()
        self._publish(
            RoomSnapshot(
                time_s=now_s,
                room=self.config.room.name,
                timezone=self.config.room.timezone,
                started_s=self._started_s,
                tanks=tanks,
                alarms=self.watchdog.book.standing,
                sources=sources,
                store=store,
                version=__version__,
                split=None if self._portion is None else self._portion.snapshot,
            )
        )

    def _tell_store_again(self) -> None:
        """Write what a new store lacks and the next watch needs."""
        self._store.put_steps(
            [
                Transition(
                    alarm, AlarmState.NORMAL, alarm.changed_s, alarm.who, "taken over: the store is new"
                )
                for alarm in self.watchdog.book.standing
            ]
        )
        self._store.put_memory(MEMORY_KEY, self.watchdog.remember())

    def _look_at_clock(self, now_s: float, monotonic_s: float) -> None:
        offset_s = now_s - monotonic_s
        step_s = offset_s - self._wall_minus_monotonic_s
        self._wall_minus_monotonic_s = offset_s
        if abs(step_s) > CLOCK_STEP_S:
            log.warning(
                "the machine's clock was stepped %s by %.1f s (set by a time server, or the machine slept)",
                "forward" if step_s > 0 else "back",
                abs(step_s),
            )

    def _look_at_sources(self, sources: tuple[SourceSnapshot, ...], now_s: float, monotonic_s: float) -> None:
        if monotonic_s < self._sources_from_s:
            return
        for source in sources:
            link = self._links[source.source_id]
            link.note(source.state, monotonic_s, self.timing.source_back_after_s)
            message, priority = told_as(source)
            self.watchdog.tell_self(
                Condition.SOURCE_LOST,
                link.is_lost,
                now_s,
                message,
                subject=source.source_id,
                priority=priority,
            )

    def _look_at_itself(self, now_s: float, monotonic_s: float) -> None:
        if self._fault_s is not None and monotonic_s - self._fault_s >= self.timing.fault_ends_after_s:
            self._fault_s = None
        self.watchdog.tell_self(
            Condition.WATCH_STALLED,
            self._fault_s is not None,
            now_s,
            f"{self._fault}; look at the log file beside the store",
            priority=Priority.CRITICAL,
        )

    def _note_fault(self, what: str, *, with_trace: bool = True) -> None:
        """Log a fault of the watch's own, once per outbreak with its trace, and make it an alarm."""
        is_news = self._fault_s is None or what != self._fault
        self._fault_s = self._clock.monotonic_s()
        self._fault = what
        if is_news:
            log.error("%s", what, exc_info=with_trace)

    def _take_up_alarms_of_sources(self) -> None:
        """A source that was lost stays so until it is heard; one that is no longer configured is over."""
        for alarm in self.watchdog.book.standing:
            if alarm.condition is not Condition.SOURCE_LOST or not alarm.holds:
                continue
            link = self._links.get(alarm.subject or "")
            if link is not None:
                link.is_lost = True
            else:
                self.watchdog.tell_self(
                    Condition.SOURCE_LOST, False, self._started_s, alarm.message, subject=alarm.subject
                )


class _Link:
    """Whether one source counts as lost; the supervisor of the source says when it is."""

    def __init__(self) -> None:
        self.is_lost = False
        self._up_since_s: float | None = None

    def note(self, state: str, monotonic_s: float, back_after_s: float) -> None:
        if state != "connected":
            self._up_since_s = None
            self.is_lost = self.is_lost or state == "lost"
            return
        if self._up_since_s is None:
            self._up_since_s = monotonic_s
        if monotonic_s - self._up_since_s >= back_after_s:
            self.is_lost = False
