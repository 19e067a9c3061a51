"""Random events through the book and through the store's rows: nothing lost, doubled or illegal, and a
restart anywhere changes nothing."""

from typing import Any

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from tankwatch.alarms.book import AlarmBook
from tankwatch.alarms.lifecycle import LATCHING, TRANSITIONS
from tankwatch.alarms.model import Alarm, AlarmState, Condition, Priority, Transition
from tankwatch.errors import UsageError
from tankwatch.store.rows import step_of_row, step_row

TANKS = st.sampled_from(["t01", "t02"])
CONDITIONS = st.sampled_from([Condition.PROBE_SILENT, Condition.HEATER_STUCK_ON])
PRIORITIES = st.sampled_from(list(Priority))
LATCHES = (Condition.HEATER_STUCK_ON,)
REALARM_S = 3600.0
EDGES = {(start, end) for (start, _), end in [*TRANSITIONS.items(), *LATCHING.items()]}


class _Model:
    """Who is on what step: told from the record alone."""

    def __init__(self) -> None:
        self.steps: list[Transition] = []

    def standing(self) -> dict[int, Alarm]:
        newest = {step.alarm.alarm_id: step.alarm for step in self.steps}
        return {n: a for n, a in newest.items() if a.state is not AlarmState.NORMAL}

    def next_id(self) -> int:
        return max((step.alarm.alarm_id for step in self.steps), default=0) + 1


def _stored(step: Transition) -> Transition:
    """Take a step through the row that the store keeps of it."""
    row = step_row(step)
    # The order of the columns of INSERT and SELECT is the same.
    return step_of_row(row)


def _essence(alarm: Alarm) -> tuple[Any, ...]:
    """What a restart must not change; texts and figures are brought up to date by the next reading."""
    return (
        alarm.alarm_id, alarm.tank, alarm.condition, alarm.state, alarm.holds, alarm.until_s, alarm.who,
        alarm.changed_s, alarm.since_s,
    )  # fmt: skip


class BookMachine(RuleBasedStateMachine):
    """Two books get the same events; one of them is made anew from the record now and then."""

    def __init__(self) -> None:
        super().__init__()
        self.now_s = 1_790_000_000.0
        self.steady = AlarmBook(latching=LATCHES, realarm_s=REALARM_S)
        self.restarted = AlarmBook(latching=LATCHES, realarm_s=REALARM_S)
        self.record = _Model()
        self.truth: dict[tuple[str, Condition], bool] = {}

    def _both(self, method: str, *args: Any, **kwargs: Any) -> None:
        outcomes = []
        for book in (self.steady, self.restarted):
            try:
                getattr(book, method)(*args, **kwargs)
                outcomes.append("")
            except UsageError as error:
                outcomes.append(str(error))
        assert outcomes[0] == outcomes[1]
        steps, same = self.steady.take_steps(), [_stored(s) for s in self.restarted.take_steps()]
        assert [(s.from_state, s.who, s.why, s.time_s, _essence(s.alarm)) for s in steps] == [
            (s.from_state, s.who, s.why, s.time_s, _essence(s.alarm)) for s in same
        ]
        self.record.steps += same

    @rule(seconds=st.sampled_from([1.0, 10.0, 25.0, 300.0, 4000.0]))
    def time_passes(self, seconds: float) -> None:
        self.now_s += seconds
        self._both("pass_time", self.now_s)

    @rule(tank=TANKS, condition=CONDITIONS, priority=PRIORITIES)
    def cause_holds(self, tank: str, condition: Condition, priority: Priority) -> None:
        self.truth[tank, condition] = True
        self._both("begin", tank, condition, priority, self.now_s, "text")

    @rule(tank=TANKS, condition=CONDITIONS)
    def cause_is_gone(self, tank: str, condition: Condition) -> None:
        self.truth[tank, condition] = False
        self._both("end", tank, condition, self.now_s)

    @rule(back_s=st.sampled_from([5.0, 500.0]), tank=TANKS, condition=CONDITIONS)
    def a_clock_goes_back(self, back_s: float, tank: str, condition: Condition) -> None:
        self.truth[tank, condition] = True
        self._both("begin", tank, condition, Priority.LOW, self.now_s - back_s, "text")

    def _number(self, data: st.DataObject) -> int:
        """Return the number of an alarm that stands, most often, or one that does not."""
        standing = [alarm.alarm_id for alarm in self.steady.standing]
        return data.draw(st.sampled_from([*standing, *standing, self.record.next_id()]))

    @rule(data=st.data(), what=st.sampled_from(["acknowledge", "unshelve", "return_to_service", "reset"]))
    def someone_acts(self, data: st.DataObject, what: str) -> None:
        self._both(what, self._number(data), "sam", self.now_s)

    @rule(data=st.data(), minutes=st.sampled_from([1.0, 30.0, 2000.0]))
    def someone_shelves(self, data: st.DataObject, minutes: float) -> None:
        until_s = self.now_s + 60.0 * minutes
        self._both("shelve", self._number(data), "sam", self.now_s, until_s=until_s, why="known")

    @rule(tank=TANKS, condition=CONDITIONS)
    def someone_takes_out(self, tank: str, condition: Condition) -> None:
        self._both("take_out_of_service", tank, condition, "sam", self.now_s, why="empty")

    @rule(busy=st.lists(TANKS, max_size=2, unique=True))
    def work_goes_on(self, busy: list[str]) -> None:
        self._both("follow_service", busy, self.now_s)

    @rule()
    def restart(self) -> None:
        self.restarted = AlarmBook(
            list(self.record.standing().values()),
            self.record.next_id(),
            recent=[step for step in self.record.steps if step.time_s >= self.now_s - 60.0],
            latching=LATCHES,
            realarm_s=REALARM_S,
        )
        # The next readings bring texts, figures and priorities up to date; that is no step.
        for alarm in self.steady.standing:
            if alarm.holds:
                self.restarted.begin(alarm.tank, alarm.condition, alarm.priority, self.now_s, alarm.message)
        assert not self.restarted.has_steps

    @invariant()
    def both_books_say_the_same(self) -> None:
        first = {a.alarm_id: _essence(a) for a in self.steady.standing}
        second = {a.alarm_id: _essence(a) for a in self.restarted.standing}
        assert first == second
        assert self.steady.due_s == self.restarted.due_s

    @invariant()
    def the_record_tells_what_stands(self) -> None:
        recorded = self.record.standing()
        assert {n: a.state for n, a in recorded.items()} == {
            a.alarm_id: a.state for a in self.steady.standing
        }

    @invariant()
    def no_step_is_illegal_doubled_or_out_of_order(self) -> None:
        state: dict[int, AlarmState] = {}
        last_s = float("-inf")
        for step in self.record.steps:
            number = step.alarm.alarm_id
            assert step.from_state is state.get(number, AlarmState.NORMAL)
            assert (step.from_state, step.alarm.state) in EDGES
            assert step.time_s >= last_s
            state[number], last_s = step.alarm.state, step.time_s

    @invariant()
    def what_holds_is_never_lost(self) -> None:
        """A cause that holds stands in the book, unless someone took it out of service."""
        for (tank, condition), holds in self.truth.items():
            alarms = [a for a in self.steady.standing if (a.tank, a.condition) == (tank, condition)]
            assert len(alarms) <= 1
            out = bool(alarms) and alarms[0].state is AlarmState.OUT_OF_SERVICE
            returned = any(
                s.alarm.tank == tank and s.alarm.condition is condition and s.why == "returned to service"
                for s in self.record.steps
            )
            if not out and not returned:
                assert (self.steady.active(tank, condition) is not None) == holds


TestBookAtRandom = BookMachine.TestCase
TestBookAtRandom.settings = settings(max_examples=100, stateful_step_count=50, deadline=None)
