"""The book of alarms: each of its promises by itself; the machine at random is tested beside it."""

import pytest

from tankwatch.alarms.book import LONGEST_CRITICAL_SHELF_S, LONGEST_SHELF_S, AlarmBook
from tankwatch.alarms.model import Alarm, AlarmState, Condition, Priority
from tankwatch.errors import UsageError

COLD = Condition.TOO_COLD
DRIFT = Condition.THERMOSTAT_DRIFT


def _begin(
    book: AlarmBook, time_s: float, priority: Priority = Priority.HIGH, condition: Condition = COLD
) -> Alarm:
    book.begin("t01", condition, priority, time_s, "Water 21.0 °C")
    return next(a for a in book.standing if a.condition is condition)


def _state(book: AlarmBook) -> AlarmState:
    (alarm,) = book.standing
    return alarm.state


def test_every_step_bears_time_who_and_why() -> None:
    book = AlarmBook()
    alarm = _begin(book, 10.0)
    book.shelve(alarm.alarm_id, "sam", 20.0, until_s=620.0, why="heater on its way")
    book.unshelve(alarm.alarm_id, "kim", 30.0)
    _, shelved, back = book.take_steps()
    assert (shelved.time_s, shelved.who, shelved.why) == (20.0, "sam", "heater on its way")
    assert (shelved.from_state, shelved.alarm.state) == (AlarmState.UNACKNOWLEDGED, AlarmState.SHELVED)
    assert shelved.alarm.until_s == 620.0
    assert (back.who, back.alarm.state, back.alarm.until_s) == ("kim", AlarmState.UNACKNOWLEDGED, None)


def test_a_shelf_ends_by_itself_and_shows_the_alarm_as_its_cause_stands() -> None:
    book = AlarmBook()
    alarm = _begin(book, 0.0)
    book.shelve(alarm.alarm_id, "sam", 0.0, until_s=600.0, why="known")
    assert book.due_s == 600.0
    book.pass_time(599.0)
    assert _state(book) is AlarmState.SHELVED
    book.pass_time(600.0)
    assert _state(book) is AlarmState.UNACKNOWLEDGED
    book.shelve(alarm.alarm_id, "sam", 700.0, until_s=800.0, why="known")
    book.end("t01", COLD, 750.0)
    assert book.active("t01", COLD) is None
    book.pass_time(800.0)
    assert book.standing == ()


def test_what_gets_worse_does_not_stay_on_the_shelf() -> None:
    book = AlarmBook()
    alarm = _begin(book, 0.0, Priority.HIGH)
    book.shelve(alarm.alarm_id, "sam", 0.0, until_s=600.0, why="known")
    _begin(book, 10.0, Priority.HIGH)
    assert _state(book) is AlarmState.SHELVED
    _begin(book, 20.0, Priority.CRITICAL)
    assert _state(book) is AlarmState.UNACKNOWLEDGED
    assert book.take_steps()[-1].why == "priority rose"


@pytest.mark.parametrize(
    ("priority", "longest_s"),
    [(Priority.HIGH, LONGEST_SHELF_S), (Priority.CRITICAL, LONGEST_CRITICAL_SHELF_S)],
)
def test_no_shelf_is_longer_than_its_priority_allows(priority: Priority, longest_s: float) -> None:
    book = AlarmBook()
    alarm = _begin(book, 0.0, priority)
    for until_s in (longest_s + 1.0, 0.0, -1.0):
        with pytest.raises(UsageError, match="can be shelved for up to"):
            book.shelve(alarm.alarm_id, "sam", 0.0, until_s=until_s, why="known")
    book.shelve(alarm.alarm_id, "sam", 0.0, until_s=longest_s, why="known")


def test_out_of_service_is_not_judged_until_it_is_returned() -> None:
    book = AlarmBook()
    book.take_out_of_service("t01", COLD, "sam", 0.0, why="tank is empty")
    _begin(book, 10.0, Priority.CRITICAL)
    assert book.active("t01", COLD) is None
    (alarm,) = book.standing
    assert (alarm.state, alarm.message) == (AlarmState.OUT_OF_SERVICE, "out of service: tank is empty")
    book.return_to_service(alarm.alarm_id, "kim", 20.0)
    assert book.standing == ()
    assert _begin(book, 30.0).state is AlarmState.UNACKNOWLEDGED


def test_out_of_service_needs_a_reason() -> None:
    with pytest.raises(UsageError, match="needs a reason"):
        AlarmBook().take_out_of_service("t01", COLD, "sam", 0.0, why="  ")


def test_service_suppresses_what_it_explains_and_never_what_fish_feel() -> None:
    book = AlarmBook()
    _begin(book, 0.0, condition=DRIFT)
    _begin(book, 0.0, condition=COLD)
    _begin(book, 0.0, Priority.CRITICAL, Condition.HEATER_NO_HEAT)
    book.follow_service(["t01"], 10.0)
    states = {alarm.condition: alarm.state for alarm in book.standing}
    assert states[DRIFT] is AlarmState.SUPPRESSED
    assert states[COLD] is states[Condition.HEATER_NO_HEAT] is AlarmState.UNACKNOWLEDGED
    book.follow_service([], 20.0)
    assert {alarm.state for alarm in book.standing} == {AlarmState.UNACKNOWLEDGED}


def test_work_does_not_undo_what_someone_acknowledged() -> None:
    book = AlarmBook()
    alarm = _begin(book, 0.0, condition=DRIFT)
    book.acknowledge(alarm.alarm_id, "sam", 5.0)
    for busy in (["t01"], []):
        book.follow_service(busy, 10.0)
        assert (_state(book), book.standing[0].who) == (AlarmState.ACKNOWLEDGED, "sam")


def test_what_comes_back_during_work_is_suppressed_though_it_was_acknowledged_before() -> None:
    book = AlarmBook()
    alarm = _begin(book, 0.0, condition=DRIFT)
    book.acknowledge(alarm.alarm_id, "sam", 5.0)
    book.follow_service(["t01"], 10.0)
    book.end("t01", DRIFT, 12.0)
    _begin(book, 14.0, condition=DRIFT)
    book.follow_service(["t01"], 15.0)
    assert _state(book) is AlarmState.SUPPRESSED
    book.follow_service([], 20.0)
    assert _state(book) is AlarmState.UNACKNOWLEDGED


def test_a_latching_alarm_stays_until_it_is_reset() -> None:
    book = AlarmBook(latching=[COLD])
    alarm = _begin(book, 0.0)
    book.end("t01", COLD, 10.0)
    book.acknowledge(alarm.alarm_id, "sam", 20.0)
    assert _state(book) is AlarmState.LATCHED
    with pytest.raises(UsageError, match="latched"):
        book.acknowledge(alarm.alarm_id, "sam", 25.0)
    book.reset(alarm.alarm_id, "sam", 30.0)
    assert book.standing == ()


def test_re_alarm_time_makes_it_unacknowledged_again() -> None:
    """OPC 10000-9 v1.05, annex B.1.5."""
    book = AlarmBook(realarm_s=1800.0)
    alarm = _begin(book, 0.0)
    book.acknowledge(alarm.alarm_id, "sam", 100.0)
    book.pass_time(1899.0)
    assert _state(book) is AlarmState.ACKNOWLEDGED
    book.pass_time(1900.0)
    assert _state(book) is AlarmState.UNACKNOWLEDGED
    assert book.take_steps()[-1].why == "stands still"


def test_chattering_is_told_as_such_and_kept_while_it_stands() -> None:
    book = AlarmBook()
    for start_s in (0.0, 20.0, 40.0):
        _begin(book, start_s)
        book.end("t01", COLD, start_s + 5.0)
    step = [s for s in book.take_steps() if s.alarm.state is AlarmState.UNACKNOWLEDGED][-1]
    assert step.why == "chattering: 3 activations in 60 s"
    _begin(book, 50.0)
    _begin(book, 51.0)
    assert book.standing[0].evidence["chattering"] == 4


@pytest.mark.parametrize(
    "wrong",
    [
        lambda book, number: book.unshelve(number, "sam", 0.0),
        lambda book, number: book.return_to_service(number, "sam", 0.0),
        lambda book, number: book.reset(number, "sam", 0.0),
        lambda book, number: book.acknowledge(number + 1, "sam", 0.0),
    ],
)
def test_what_makes_no_sense_is_refused_and_changes_nothing(wrong: object) -> None:
    book = AlarmBook()
    alarm = _begin(book, 0.0)
    assert callable(wrong)
    with pytest.raises(UsageError):
        wrong(book, alarm.alarm_id)
    assert book.standing == (alarm,)


def test_no_step_bears_a_time_before_an_earlier_one_even_over_a_restart() -> None:
    book = AlarmBook()
    _begin(book, 1000.0)
    again = AlarmBook(book.standing)
    again.end("t01", COLD, 700.0)
    assert [step.time_s for step in again.take_steps()] == [1000.0]


def test_a_fall_in_priority_and_a_rise_back_is_told_against_what_was_acknowledged() -> None:
    book = AlarmBook()
    alarm = _begin(book, 0.0, Priority.HIGH)
    book.acknowledge(alarm.alarm_id, "sam", 10.0)
    _begin(book, 20.0, Priority.LOW)
    _begin(book, 30.0, Priority.HIGH)
    assert _state(book) is AlarmState.ACKNOWLEDGED
    _begin(book, 40.0, Priority.CRITICAL)
    assert _state(book) is AlarmState.UNACKNOWLEDGED
