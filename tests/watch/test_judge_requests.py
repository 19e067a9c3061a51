"""What the judge does on request: shelving, taking out of service, codes; and suppression during service."""

from concurrent.futures import Future

import pytest
from test_judge import CONFIG, _judge, _Parts, _pass

from tankwatch.alarms.model import Alarm, AlarmState, Condition, Priority
from tankwatch.clock import ManualClock
from tankwatch.control.protocol import (
    AcknowledgeCode,
    Action,
    Mark,
    OutOfService,
    Reset,
    ReturnToService,
    Shelve,
    Unshelve,
)
from tankwatch.errors import UsageError
from tankwatch.notify.codes import Permit
from tankwatch.reading import ServiceMark
from tankwatch.watch.judge import Judge, Timing
from tankwatch.watchdog.watchdog import Watchdog


def _watchdog(clock: ManualClock, condition: Condition = Condition.THERMOSTAT_DRIFT) -> Watchdog:
    watchdog = Watchdog(CONFIG)
    watchdog.book.begin("t01", condition, Priority.MEDIUM, clock.wall, "it creeps")
    return watchdog


def _standing(watchdog: Watchdog) -> dict[Condition, Alarm]:
    return {alarm.condition: alarm for alarm in watchdog.book.standing if alarm.tank == "t01"}


def _done(judge: Judge, action: Action) -> "Future[None]":
    future = judge.carry(action)
    judge.turn(0.0)
    return future


def test_shelve_and_unshelve_and_the_end_of_the_shelf() -> None:
    clock, parts = ManualClock(), _Parts()
    watchdog = _watchdog(clock)
    judge = _judge(parts, clock, watchdog)
    number = _standing(watchdog)[Condition.THERMOSTAT_DRIFT].alarm_id
    _done(judge, Shelve(alarm_id=number, minutes=2, why="new one ordered", who="sam")).result()
    assert _standing(watchdog)[Condition.THERMOSTAT_DRIFT].state is AlarmState.SHELVED
    _done(judge, Unshelve(alarm_id=number, who="sam")).result()
    assert _standing(watchdog)[Condition.THERMOSTAT_DRIFT].state is AlarmState.UNACKNOWLEDGED
    _done(judge, Shelve(alarm_id=number, minutes=2, why="new one ordered", who="sam")).result()
    clock.step_wall(86_400.0)  # a wall clock that is set ends no shelf
    _pass(judge, clock, 60)
    assert _standing(watchdog)[Condition.THERMOSTAT_DRIFT].state is AlarmState.SHELVED
    _pass(judge, clock, 65)
    assert _standing(watchdog)[Condition.THERMOSTAT_DRIFT].state is AlarmState.UNACKNOWLEDGED
    kept = [step.why for step in parts.steps if step.alarm.alarm_id == number]
    assert kept == [
        None, "new one ordered", "taken off the shelf", "new one ordered", "the shelf's time is over",
    ]  # fmt: skip


def test_out_of_service_and_back() -> None:
    clock, parts = ManualClock(), _Parts()
    watchdog = _watchdog(clock)
    judge = _judge(parts, clock, watchdog)
    request = OutOfService(tank="t01", condition=Condition.LIGHT_MISSED, why="no lamp", who="sam")
    _done(judge, request).result()
    alarm = _standing(watchdog)[Condition.LIGHT_MISSED]
    assert alarm.state is AlarmState.OUT_OF_SERVICE
    _done(judge, ReturnToService(alarm_id=alarm.alarm_id, who="sam")).result()
    assert Condition.LIGHT_MISSED not in _standing(watchdog)
    with pytest.raises(UsageError, match="not latched"):
        _done(judge, Reset(alarm_id=1, who="sam")).result()


def test_service_suppresses_and_its_end_brings_back() -> None:
    clock, parts = ManualClock(), _Parts()
    watchdog = _watchdog(clock)
    watchdog.book.begin("t01", Condition.TOO_COLD, Priority.HIGH, clock.wall, "cold")
    judge = _judge(parts, clock, watchdog)
    _done(judge, Mark(tank="t01", mark=ServiceMark.WORK, who="sam")).result()
    _pass(judge, clock, 2)
    states = {condition: alarm.state for condition, alarm in _standing(watchdog).items()}
    assert states == {
        Condition.THERMOSTAT_DRIFT: AlarmState.SUPPRESSED,
        Condition.TOO_COLD: AlarmState.UNACKNOWLEDGED,
    }
    _done(judge, Mark(tank="t01", mark=ServiceMark.END, who="sam")).result()
    _pass(judge, clock, 2)
    assert _standing(watchdog)[Condition.THERMOSTAT_DRIFT].state is AlarmState.UNACKNOWLEDGED


def test_a_code_acknowledges_what_still_stands_of_its_alarms() -> None:
    clock, parts = ManualClock(), _Parts()
    watchdog = _watchdog(clock)
    permits = {"ABCDEF": Permit((1, 77), "sam", clock.wall + 60.0)}
    judge = Judge(
        CONFIG,
        watchdog,
        inbox=parts,
        sources=_NoSources(),
        store=parts,
        clock=clock,
        publish=parts.pictures.append,
        timing=Timing(),
        permit_of_code=permits.__getitem__,
    )
    _done(judge, AcknowledgeCode(code="ABCDEF", who="kim")).result()
    (alarm,) = watchdog.book.standing
    assert (alarm.state, alarm.who) == (AlarmState.ACKNOWLEDGED, "kim")
    with pytest.raises(UsageError, match="acknowledged or over already"):
        _done(judge, AcknowledgeCode(code="ABCDEF", who="kim")).result()


class _NoSources:
    def health(self) -> tuple[()]:
        return ()


def test_without_messages_there_are_no_codes() -> None:
    clock = ManualClock()
    judge = _judge(_Parts(), clock, _watchdog(clock))
    with pytest.raises(UsageError, match="no codes"):
        _done(judge, AcknowledgeCode(code="ABCDEF", who="kim")).result()


def test_a_source_that_was_lost_before_the_start_stays_so_until_it_is_heard() -> None:
    clock, parts = ManualClock(), _Parts()
    parts.states["broker"] = "connecting"
    before = Watchdog(CONFIG)
    before.tell_self(Condition.SOURCE_LOST, True, clock.wall, "lost", subject="broker")
    judge = _judge(parts, clock, Watchdog(CONFIG, standing=before.book.standing))
    _pass(judge, clock, 10)
    assert parts.steps == []
    parts.states["broker"] = "connected"
    _pass(judge, clock, 10)
    assert [step.alarm.state for step in parts.steps] == [AlarmState.RETURNED]
