"""The judge turn by turn: a clock that is moved by hand, and parts that note what they are given."""

import threading
from concurrent.futures import CancelledError
from dataclasses import dataclass, field, replace
from typing import Any

import pytest

from tankwatch.alarms.model import Alarm, AlarmState, Condition, Priority, Transition
from tankwatch.clock import ManualClock
from tankwatch.config import Config
from tankwatch.control.protocol import Acknowledge, Mark, Note
from tankwatch.errors import TankwatchError, UsageError
from tankwatch.reading import Channel, Reading, ServiceMark
from tankwatch.snapshot import RoomSnapshot, SourceSnapshot, StoreSnapshot, TankSnapshot
from tankwatch.store.entry import LogEntry
from tankwatch.watch.guard import Guard
from tankwatch.watch.judge import MEMORY_KEY, Judge, Timing
from tankwatch.watchdog.watchdog import Watchdog

CONFIG = Config.model_validate(
    {
        "room": {"name": "Back room"},
        "source": [{"id": "broker", "kind": "mqtt"}, {"id": "bench", "kind": "serial", "port": "/dev/none"}],
        "tank": [{"id": "t01", "volume_l": 120.0, "setpoint_c": 25.0}],
    }
)


@dataclass
class _Parts:
    """Inbox, sources and store in one; what the judge does to them can be read off."""

    waiting: list[Reading] = field(default_factory=list)
    states: dict[str, str] = field(default_factory=lambda: {"broker": "connected", "bench": "connected"})
    store: StoreSnapshot = field(default_factory=StoreSnapshot)
    readings: list[Reading] = field(default_factory=list)
    steps: list[Transition] = field(default_factory=list)
    marks: list[tuple[str, ServiceMark, float, str]] = field(default_factory=list)
    entries: list[LogEntry] = field(default_factory=list)
    memory: list[tuple[str, dict[str, Any]]] = field(default_factory=list)
    pictures: list[RoomSnapshot] = field(default_factory=list)

    def take(self, timeout_s: float) -> list[Reading]:
        taken, self.waiting = self.waiting, []
        return taken

    def put_readings(self, readings: list[Reading]) -> None:
        self.readings.extend(readings)

    def put_steps(self, steps: list[Transition]) -> None:
        self.steps.extend(steps)

    def put_mark(self, tank: str, mark: ServiceMark, time_s: float, who: str) -> None:
        self.marks.append((tank, mark, time_s, who))

    def put_log(self, entry: LogEntry) -> None:
        self.entries.append(entry)

    def put_memory(self, key: str, value: dict[str, Any]) -> None:
        self.memory.append((key, value))

    def health(self) -> StoreSnapshot:
        return self.store


@dataclass
class _Sources:
    parts: _Parts

    def health(self) -> tuple[SourceSnapshot, ...]:
        return tuple(
            SourceSnapshot(name, "mqtt", state, detail="127.0.0.1:1883 refused")
            for name, state in self.parts.states.items()
        )


class _FailingWatchdog(Watchdog):
    """Cannot judge the value 13."""

    def feed(self, reading: Reading) -> None:
        if reading.value == 13.0:
            raise ZeroDivisionError("a fault of the watch's own")
        super().feed(reading)


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock()


@pytest.fixture
def parts() -> _Parts:
    return _Parts()


def _judge(parts: _Parts, clock: ManualClock, watchdog: Watchdog | None = None) -> Judge:
    return Judge(
        CONFIG,
        watchdog or Watchdog(CONFIG),
        inbox=parts,
        sources=_Sources(parts),
        store=parts,
        clock=clock,
        publish=parts.pictures.append,
        timing=Timing(),
    )


def _pass(judge: Judge, clock: ManualClock, seconds: float) -> None:
    for _ in range(int(seconds)):
        clock.advance(1.0)
        judge.turn(0.0)


def _steps(parts: _Parts, condition: Condition) -> list[tuple[AlarmState, str | None]]:
    return [(s.alarm.state, s.alarm.subject) for s in parts.steps if s.alarm.condition is condition]


def _water(value: float, time_s: float) -> Reading:
    return Reading("t01", Channel.TEMPERATURE, time_s, value, source="broker")


def test_readings_are_kept_and_a_picture_goes_out_once_a_second(parts: _Parts, clock: ManualClock) -> None:
    judge = _judge(parts, clock)
    parts.waiting = [_water(24.8, clock.wall)]
    for _ in range(21):
        judge.turn(0.0)
        clock.advance(0.25)
    assert [r.value for r in parts.readings] == [24.8]
    assert [p.time_s - parts.pictures[0].time_s for p in parts.pictures] == [0, 1, 2, 3, 4, 5]
    assert parts.pictures[-1].room == "Back room"


def test_lost_source_is_an_alarm_and_ends_by_itself(parts: _Parts, clock: ManualClock) -> None:
    judge = _judge(parts, clock)
    _pass(judge, clock, 10)
    parts.states["broker"] = "connecting"
    _pass(judge, clock, 10)
    assert _steps(parts, Condition.SOURCE_LOST) == []
    parts.states["broker"] = "lost"
    _pass(judge, clock, 1)
    assert _steps(parts, Condition.SOURCE_LOST) == [(AlarmState.UNACKNOWLEDGED, "broker")]
    assert "127.0.0.1:1883 refused" in parts.pictures[-1].alarms[0].message
    parts.states["broker"] = "connecting"
    _pass(judge, clock, 10)
    assert len(_steps(parts, Condition.SOURCE_LOST)) == 1
    parts.states["broker"] = "connected"
    _pass(judge, clock, 5)
    assert _steps(parts, Condition.SOURCE_LOST)[1:] == [(AlarmState.RETURNED, "broker")]


def test_link_that_does_not_hold_ends_no_alarm(parts: _Parts, clock: ManualClock) -> None:
    judge = _judge(parts, clock)
    parts.states["broker"] = "lost"
    _pass(judge, clock, 5)
    for second in range(60):
        parts.states["broker"] = "lost" if second % 3 == 0 else "connected"
        _pass(judge, clock, 1)
    assert _steps(parts, Condition.SOURCE_LOST) == [(AlarmState.UNACKNOWLEDGED, "broker")]


def test_alarm_of_a_source_taken_out_of_the_configuration_ends(parts: _Parts, clock: ManualClock) -> None:
    old = Alarm(
        alarm_id=5,
        tank=None,
        condition=Condition.SOURCE_LOST,
        state=AlarmState.ACKNOWLEDGED,
        priority=Priority.HIGH,
        since_s=clock.wall - 100,
        changed_s=clock.wall - 50,
        message="source attic is lost",
        subject="attic",
    )
    judge = _judge(parts, clock, Watchdog(CONFIG, standing=[old], next_alarm_id=6))
    judge.turn(0.0)
    assert _steps(parts, Condition.SOURCE_LOST) == [(AlarmState.NORMAL, "attic")]


@pytest.mark.parametrize("state", ["behind", "failed"])
def test_store_in_trouble_is_an_alarm(parts: _Parts, clock: ManualClock, state: str) -> None:
    judge = _judge(parts, clock)
    judge.turn(0.0)
    parts.store = StoreSnapshot(state=state, behind_s=31.0)
    _pass(judge, clock, 2)
    parts.store = StoreSnapshot()
    _pass(judge, clock, 2)
    assert [state for state, _ in _steps(parts, Condition.STORE_BEHIND)] == ["unacknowledged", "returned"]


def test_reading_that_cannot_be_judged_stops_nothing_else(parts: _Parts, clock: ManualClock) -> None:
    judge = _judge(parts, clock, _FailingWatchdog(CONFIG))
    judge.turn(0.0)
    parts.waiting = [_water(24.0, clock.wall), _water(13.0, clock.wall), _water(25.0, clock.wall)]
    _pass(judge, clock, 1)
    assert [r.value for r in parts.readings] == [24.0, 13.0, 25.0]
    assert [state for state, _ in _steps(parts, Condition.WATCH_STALLED)] == ["unacknowledged"]
    assert parts.pictures[-1].alarms[0].priority is Priority.CRITICAL
    _pass(judge, clock, 61)
    assert [state for state, _ in _steps(parts, Condition.WATCH_STALLED)][1:] == ["returned"]


def test_turn_that_fails_is_told_and_the_next_one_is_taken(parts: _Parts, clock: ManualClock) -> None:
    judge = _judge(parts, clock)
    stop = threading.Event()
    turns = 0

    def take(timeout_s: float) -> list[Reading]:
        nonlocal turns
        turns += 1
        clock.advance(1.0)
        if turns == 1:
            raise OSError("the inbox broke")
        if turns == 4:
            stop.set()
        return []

    parts.take = take  # type: ignore[method-assign]
    judge.run(stop)
    assert turns == 4
    assert [state for state, _ in _steps(parts, Condition.WATCH_STALLED)] == ["unacknowledged"]


def test_stand_still_is_recorded_when_it_is_over(parts: _Parts, clock: ManualClock) -> None:
    judge = _judge(parts, clock)
    judge.turn(0.0)
    clock.advance(40.0)
    judge.turn(0.0)
    (step,) = [s for s in parts.steps if s.alarm.condition is Condition.WATCH_STALLED]
    assert "stood still for 40 s" in step.alarm.message


def test_stepped_wall_clock_is_logged_once(
    parts: _Parts, clock: ManualClock, caplog: pytest.LogCaptureFixture
) -> None:
    judge = _judge(parts, clock)
    _pass(judge, clock, 3)
    clock.step_wall(-3600.0)
    _pass(judge, clock, 3)
    told = [r.getMessage() for r in caplog.records if "clock was stepped" in r.getMessage()]
    assert len(told) == 1
    assert "back by 3600.0 s" in told[0]


def test_a_store_begun_anew_is_told_what_stands_and_what_was_learned(
    parts: _Parts, clock: ManualClock
) -> None:
    parts.states["bench"] = "lost"
    judge = _judge(parts, clock)
    _pass(judge, clock, 2)
    standing = judge.watchdog.book.standing
    parts.steps.clear()
    judge.tell_store_again()
    _pass(judge, clock, 2)
    assert [step.alarm for step in parts.steps] == list(standing)
    assert [step.from_state for step in parts.steps] == [AlarmState.NORMAL]
    assert parts.memory == [(MEMORY_KEY, judge.watchdog.remember())]


def test_memory_is_saved_now_and_then_and_at_the_end(parts: _Parts, clock: ManualClock) -> None:
    judge = _judge(parts, clock)
    _pass(judge, clock, 301)
    assert [key for key, _ in parts.memory] == [MEMORY_KEY]
    parts.waiting = [_water(24.0, clock.wall)]
    judge.finish()
    assert len(parts.memory) == 2
    assert len(parts.readings) == 1


def test_actions_are_carried_out_in_order(parts: _Parts, clock: ManualClock) -> None:
    judge = _judge(parts, clock)
    mark = judge.carry(Mark(tank="t01", mark=ServiceMark.WATER_OUT, who="Ada"))
    note = judge.carry(Note(tank=None, kind="note", text="new lamp", who="Ada", photos=("/p/lamp.jpg",)))
    judge.turn(0.0)
    assert mark.result(0) is None
    assert note.result(0) is None
    assert parts.marks == [("t01", ServiceMark.WATER_OUT, clock.wall, "Ada")]
    assert parts.entries == [
        LogEntry(clock.wall, None, "note", "Ada", "new lamp", photos=("/p/lamp.jpg",)),
    ]


def test_acknowledging_reaches_the_book(parts: _Parts, clock: ManualClock) -> None:
    parts.states["broker"] = "lost"
    judge = _judge(parts, clock)
    _pass(judge, clock, 7)
    (alarm,) = parts.pictures[-1].alarms
    done = judge.carry(Acknowledge(alarm_id=alarm.alarm_id, who="Ada"))
    again = judge.carry(Acknowledge(alarm_id=alarm.alarm_id, who="Bea"))
    judge.turn(0.0)
    assert done.result(0) is None
    with pytest.raises(UsageError, match="acknowledged already"):
        again.result(0)
    assert parts.steps[-1].alarm == replace(parts.steps[-1].alarm, state=AlarmState.ACKNOWLEDGED, who="Ada")


def test_steps_of_an_action_are_handed_to_the_store_before_it_is_answered(
    parts: _Parts, clock: ManualClock
) -> None:
    parts.states["bench"] = "lost"
    judge = _judge(parts, clock)
    _pass(judge, clock, 2)
    (alarm,) = parts.pictures[-1].alarms
    at_the_answer: list[AlarmState] = []
    done = judge.carry(Acknowledge(alarm_id=alarm.alarm_id, who="Ada"))
    done.add_done_callback(lambda _: at_the_answer.append(parts.steps[-1].alarm.state))
    judge.turn(0.0)
    assert at_the_answer == [AlarmState.ACKNOWLEDGED]


def test_unknown_tank_is_refused_by_name(parts: _Parts, clock: ManualClock) -> None:
    judge = _judge(parts, clock)
    mark = judge.carry(Mark(tank="t99", mark=ServiceMark.WORK, who="Ada"))
    judge.turn(0.0)
    with pytest.raises(TankwatchError, match="known: t01"):
        mark.result(0)
    assert parts.marks == []


def test_request_that_was_given_up_is_not_carried_out(parts: _Parts, clock: ManualClock) -> None:
    judge = _judge(parts, clock)
    note = judge.carry(Note(tank=None, kind="note", text="too late", who="Ada"))
    assert note.cancel()
    judge.turn(0.0)
    assert parts.entries == []
    with pytest.raises(CancelledError):
        note.result(0)


def test_guard_marks_everything_stale_while_the_judge_stands_still(parts: _Parts, clock: ManualClock) -> None:
    shown: list[RoomSnapshot] = []
    judge = _judge(parts, clock)
    guard = Guard(lambda: judge.heartbeat_s, shown.append, clock, stalled_after_s=15.0)
    judge.turn(0.0)
    guard.pass_on(parts.pictures[-1])
    clock.advance(10.0)
    guard.look()
    assert len(shown) == 1
    clock.advance(10.0)
    guard.look()
    assert shown[-1].time_s == clock.wall
    assert shown[-1].alarms[0].condition is Condition.WATCH_STALLED
    assert all(value.stale for tank in shown[-1].tanks for value in tank.values.values())
    judge.turn(0.0)
    guard.pass_on(parts.pictures[-1])
    guard.look()
    assert len(shown) == 3
    assert shown[-1].alarms == parts.pictures[-1].alarms


class _BlindWatchdog(Watchdog):
    """Judges, but cannot draw a picture after the first."""

    drawn = 0

    def tanks(self, now_s: float) -> tuple[TankSnapshot, ...]:
        self.drawn += 1
        if self.drawn > 1:
            raise ZeroDivisionError("a fault of the watch's own")
        return super().tanks(now_s)


def test_guard_tells_of_a_judge_that_runs_but_draws_nothing(parts: _Parts, clock: ManualClock) -> None:
    shown: list[RoomSnapshot] = []
    judge = _judge(parts, clock, _BlindWatchdog(CONFIG))
    guard = Guard(lambda: judge.heartbeat_s, shown.append, clock, stalled_after_s=15.0)
    judge.turn(0.0)
    guard.pass_on(parts.pictures[-1])
    for _ in range(20):
        clock.advance(1.0)
        with pytest.raises(ZeroDivisionError):
            judge.turn(0.0)
        guard.look()
    assert shown[-1].alarms[0].condition is Condition.WATCH_STALLED
    assert shown[-1].time_s == clock.wall
