"""The book of standing alarms: it turns what the watchdog finds into steps of each alarm's life."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from tankwatch.alarms.chatter import WINDOW_S, ChatterDetector, is_chattering
from tankwatch.alarms.lifecycle import Event, next_state
from tankwatch.alarms.model import Alarm, AlarmState, Condition, Priority, Transition
from tankwatch.alarms.service import EXPLAINED_BY_WORK
from tankwatch.alarms.urgency import by_time_left
from tankwatch.errors import UsageError

_ACTIVE = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED})
_PUT_AWAY = frozenset({AlarmState.SHELVED, AlarmState.SUPPRESSED})
_HOLDS_AFTER = {Event.ABNORMAL: True, Event.REALARM: True, Event.NORMAL: False, Event.TAKE_OUT: False}

Key = tuple[str | None, Condition, str | None]
"""Tank, condition, and the subject (a source) of an alarm that belongs to no tank."""

LONGEST_SHELF_S = 24 * 3600.0
"""A shelf ends; what must stay away longer is taken out of service, with a reason."""
LONGEST_CRITICAL_SHELF_S = 3600.0
"""What is critical may cost lives within hours: it is never put away for long."""


class AlarmBook:
    """All alarms that are not normal, and the steps not yet taken away by the caller.

    A step never bears a time before an earlier step: a probe whose clock went back must not make the
    record run backwards. A book made anew from the standing alarms, and from the steps of the last minute,
    goes on as the old one would have.
    """

    def __init__(
        self,
        standing: Iterable[Alarm] = (),
        next_id: int = 1,
        *,
        recent: Iterable[Transition] = (),
        latching: Iterable[Condition] = (),
        realarm_s: float | None = None,
        dealt: tuple[int, int] = (0, 1),
    ) -> None:
        """Start from the alarms that stood when the watch last ran; new ones count up from `next_id`.

        `recent`: the steps of the last minute before. Conditions in `latching` stay, once acknowledged and
        gone, until someone resets them. An acknowledged alarm that still stands after `realarm_s` seconds
        becomes unacknowledged again. `dealt`: of `n` books that share their numbers out, the one `i` gives
        those that leave `i` when divided by `n`, so that an alarm keeps its number when it moves.
        """
        self._alarms: dict[Key, Alarm] = {_key(alarm): alarm for alarm in standing}
        self.concerned: Counter[str | None] = Counter(alarm.tank for alarm in self._alarms.values())
        """How many alarms each tank has, in whatever state; the hot path asks here first: most have none."""
        self._by_id = {alarm.alarm_id: key for key, alarm in self._alarms.items()}
        self._noted = {key: alarm.priority for key, alarm in self._alarms.items()}
        first, self._among = max([next_id, *(a.alarm_id + 1 for a in self._alarms.values())]), dealt[1]
        self._next_id = first + (dealt[0] - first) % self._among
        self._steps: list[Transition] = []
        self._last_step_s = max((a.changed_s for a in self._alarms.values()), default=float("-inf"))
        self._latching = frozenset(latching)
        self._realarm_s = realarm_s
        self._chatter = ChatterDetector()
        for step in recent:
            self._last_step_s = max(self._last_step_s, step.time_s)
            if _is_activation(step.from_state, step.alarm.state):
                self._chatter.activated(_key(step.alarm), step.time_s)
        self.due_s = self._next_due_s()
        """When `pass_time` has something to do next; looked at on the hot path."""

    @property
    def standing(self) -> tuple[Alarm, ...]:
        """Every alarm that is not normal, worst first, then oldest first."""
        return tuple(sorted(self._alarms.values(), key=worst_first))

    @property
    def next_id(self) -> int:
        """The number of the next new alarm."""
        return self._next_id

    @property
    def has_steps(self) -> bool:
        """Tell whether steps wait to be taken away."""
        return bool(self._steps)

    def active(self, tank: str | None, condition: Condition, subject: str | None = None) -> Alarm | None:
        """Return the alarm if its condition holds now, else None; what is out of service is never active."""
        alarm = self._alarms.get((tank, condition, subject))
        if alarm is None:
            return None
        if alarm.state in _ACTIVE or (alarm.state in _PUT_AWAY and alarm.holds):
            return alarm
        return None

    def begin(
        self,
        tank: str | None,
        condition: Condition,
        priority: Priority,
        time_s: float,
        message: str,
        *,
        since_s: float | None = None,
        value: float | None = None,
        margin_min: float | None = None,
        evidence: dict[str, Any] | None = None,
        subject: str | None = None,
    ) -> None:
        """Tell that a condition holds; a condition that already holds is brought up to date.

        `margin_min`: minutes left to the limit; as they shrink the priority rises. A rise in priority of an
        acknowledged alarm makes it unacknowledged again (re-alarm), and brings back one that was shelved or
        suppressed.
        """
        key = (tank, condition, subject)
        old = self._alarms.get(key)
        priority = by_time_left(priority, margin_min)
        news: dict[str, Any] = {
            "priority": priority,
            "message": message,
            "value": value,
            "margin_min": margin_min,
            "evidence": evidence or {},
        }
        began_s = time_s if since_s is None else since_s
        if old is None:
            self._activate(key, self._new(key, began_s, time_s, news), time_s)
        elif old.state is AlarmState.OUT_OF_SERVICE:
            return
        elif old.state in (AlarmState.RETURNED, AlarmState.LATCHED):
            self._activate(key, replace(old, since_s=began_s, **news), time_s)
        elif old.state is not AlarmState.UNACKNOWLEDGED and priority.rank > self._noted[key].rank:
            self._step(key, replace(old, **news), Event.REALARM, time_s, why="priority rose")
        elif not old.holds:
            back = replace(old, since_s=began_s, **news)
            self._step(key, back, Event.ABNORMAL, time_s, why="cause is back")
        else:
            if "chattering" in old.evidence:
                news["evidence"] = {**news["evidence"], "chattering": old.evidence["chattering"]}
            self._alarms[key] = replace(old, **news)

    def end(
        self, tank: str | None, condition: Condition, time_s: float, *, subject: str | None = None
    ) -> None:
        """Tell that a condition is gone; nothing happens if it did not hold."""
        key = (tank, condition, subject)
        old = self._alarms.get(key)
        if old is not None and old.holds:
            self._step(key, old, Event.NORMAL, time_s)

    def acknowledge(self, alarm_id: int, who: str, time_s: float) -> None:
        """Note that `who` has seen the alarm.

        Raises:
            UsageError: no such alarm stands, or it was acknowledged before.
        """
        key, alarm = self._find(alarm_id)
        if next_state(alarm.state, Event.ACKNOWLEDGE) is None:
            raise UsageError(f"alarm {alarm_id} is {alarm.state.value} already")
        self._step(key, replace(alarm, who=who), Event.ACKNOWLEDGE, time_s, who=who)

    def reset(self, alarm_id: int, who: str, time_s: float) -> None:
        """Note that `who` has put right what latched.

        Raises:
            UsageError: no such alarm stands, or it is not latched.
        """
        key, alarm = self._find(alarm_id)
        if alarm.state is not AlarmState.LATCHED:
            raise UsageError(f"alarm {alarm_id} is {alarm.state.value}, not latched: nothing to reset")
        self._step(key, replace(alarm, who=who), Event.RESET, time_s, who=who)

    def shelve(self, alarm_id: int, who: str, time_s: float, *, until_s: float, why: str) -> None:
        """Put an alarm away until `until_s`; it comes back before if it gets worse.

        Raises:
            UsageError: no such alarm stands, it cannot be shelved now, or the time is over or too long.
        """
        key, alarm = self._find(alarm_id)
        critical = alarm.priority is Priority.CRITICAL
        longest_s = LONGEST_CRITICAL_SHELF_S if critical else LONGEST_SHELF_S
        if not 0.0 < until_s - time_s <= longest_s:
            raise UsageError(
                f"alarm {alarm_id} is {alarm.priority.value}: it can be shelved for up to "
                f"{longest_s / 3600:g} h, no longer; what must stay away is taken out of service"
            )
        if next_state(alarm.state, Event.SHELVE) is None:
            raise UsageError(f"alarm {alarm_id} is {alarm.state.value}: it cannot be shelved")
        self._step(key, replace(alarm, who=who, until_s=until_s), Event.SHELVE, time_s, who=who, why=why)

    def unshelve(self, alarm_id: int, who: str, time_s: float, why: str = "taken off the shelf") -> None:
        """Bring a shelved alarm back as its cause stands now.

        Raises:
            UsageError: no such alarm stands, or it is not shelved.
        """
        key, alarm = self._find(alarm_id)
        if alarm.state is not AlarmState.SHELVED:
            raise UsageError(f"alarm {alarm_id} is {alarm.state.value}, not shelved")
        self._release(key, alarm, time_s, who=who, why=why)

    def take_out_of_service(
        self,
        tank: str | None,
        condition: Condition,
        who: str,
        time_s: float,
        *,
        why: str,
        subject: str | None = None,
    ) -> None:
        """Stop judging one condition until it is returned to service; `why` is kept and shown.

        Raises:
            UsageError: there is no reason, or it is out of service already.
        """
        if not why.strip():
            raise UsageError("taking an alarm out of service needs a reason")
        key = (tank, condition, subject)
        alarm = self._alarms.get(key)
        if alarm is None:
            alarm = self._new(key, time_s, time_s, {"priority": Priority.LOW, "message": why})
        if next_state(alarm.state, Event.TAKE_OUT) is None:
            raise UsageError(f"{condition.value} is out of service already")
        out = replace(alarm, who=who, until_s=None, message=f"out of service: {why}")
        self._step(key, out, Event.TAKE_OUT, time_s, who=who, why=why)

    def return_to_service(self, alarm_id: int, who: str, time_s: float) -> None:
        """Judge a condition again.

        Raises:
            UsageError: no such alarm stands, or it is not out of service.
        """
        key, alarm = self._find(alarm_id)
        if alarm.state is not AlarmState.OUT_OF_SERVICE:
            raise UsageError(f"alarm {alarm_id} is {alarm.state.value}, not out of service")
        self._step(key, alarm, Event.RELEASE_NORMAL, time_s, who=who, why="returned to service")

    def follow_service(self, tanks_in_service: Iterable[str], time_s: float) -> None:
        """Suppress what work in these tanks explains, and bring back the rest.

        What is critical is never suppressed. What is acknowledged calls nobody and stays so: suppressed, it
        would come back after the work as if nobody had seen it.
        """
        busy = frozenset(tanks_in_service)
        for key, alarm in list(self._alarms.items()):
            if alarm.tank in busy:
                explained = alarm.condition in EXPLAINED_BY_WORK and alarm.priority is not Priority.CRITICAL
                if explained and alarm.state not in (AlarmState.SUPPRESSED, AlarmState.ACKNOWLEDGED):
                    self._step(key, alarm, Event.SUPPRESS, time_s, why="service")
            elif alarm.state is AlarmState.SUPPRESSED:
                self._release(key, alarm, time_s, why="service is over")

    def pass_time(self, now_s: float) -> None:
        """Let shelves end and acknowledged alarms return that have stood too long."""
        if now_s < self.due_s:
            return
        for key, alarm in list(self._alarms.items()):
            if alarm.state is AlarmState.SHELVED and alarm.until_s is not None and now_s >= alarm.until_s:
                self._release(key, alarm, now_s, why="the shelf's time is over")
            elif (
                self._realarm_s is not None
                and alarm.state is AlarmState.ACKNOWLEDGED
                and now_s - alarm.changed_s >= self._realarm_s
            ):
                self._step(key, alarm, Event.REALARM, now_s, why="stands still")
        self._chatter.forget_before(now_s)
        self.due_s = self._next_due_s()

    def take_steps(self) -> list[Transition]:
        """Return the steps since the last call, in time order."""
        steps, self._steps = self._steps, []
        return steps

    def adopt(self, alarm: Alarm) -> None:
        """Take in an alarm that stood in another book, with its number and state; it is no step."""
        key = _key(alarm)
        if key not in self._alarms:
            self.concerned[key[0]] += 1
        self._alarms[key] = alarm
        self._by_id[alarm.alarm_id] = key
        self._noted[key] = alarm.priority
        self.due_s = self._next_due_s()

    def let_go(self, tank: str) -> None:
        """Forget the alarms of a tank, and their steps not yet taken away: another book goes on with them."""
        for key, alarm in list(self._alarms.items()):
            if key[0] == tank:
                del self._alarms[key], self._noted[key]
                self._by_id.pop(alarm.alarm_id, None)
        del self.concerned[tank]
        self._steps = [step for step in self._steps if step.alarm.tank != tank]
        self.due_s = self._next_due_s()

    # --- inside ---

    def _new(self, key: Key, since_s: float, time_s: float, news: dict[str, Any]) -> Alarm:
        tank, condition, subject = key
        alarm = Alarm(
            alarm_id=self._next_id,
            tank=tank,
            condition=condition,
            state=AlarmState.NORMAL,
            since_s=since_s,
            changed_s=time_s,
            subject=subject,
            **news,
        )
        self._next_id += self._among
        return alarm

    def _find(self, alarm_id: int) -> tuple[Key, Alarm]:
        key = self._by_id.get(alarm_id)
        if key is None:
            raise UsageError(f"no alarm {alarm_id} stands")
        return key, self._alarms[key]

    def _activate(self, key: Key, alarm: Alarm, time_s: float) -> None:
        count = self._chatter.activated(key, max(time_s, self._last_step_s))
        why = None
        if is_chattering(count):
            alarm = replace(alarm, evidence={**alarm.evidence, "chattering": count})
            why = f"chattering: {count} activations in {WINDOW_S:.0f} s"
        self._step(key, alarm, Event.ABNORMAL, time_s, why=why)

    def _release(self, key: Key, alarm: Alarm, time_s: float, *, why: str, who: str | None = None) -> None:
        event = Event.RELEASE_ABNORMAL if alarm.holds else Event.RELEASE_NORMAL
        self._step(key, alarm, event, time_s, who=who, why=why)

    def _step(
        self,
        key: Key,
        alarm: Alarm,
        event: Event,
        time_s: float,
        *,
        who: str | None = None,
        why: str | None = None,
    ) -> None:
        to_state = next_state(alarm.state, event, latching=alarm.condition in self._latching)
        if to_state is None:
            return
        time_s = max(time_s, self._last_step_s)
        self._last_step_s = time_s
        after = replace(
            alarm,
            state=to_state,
            changed_s=time_s,
            holds=_HOLDS_AFTER.get(event, alarm.holds),
            until_s=alarm.until_s if to_state is AlarmState.SHELVED else None,
        )
        if to_state is AlarmState.NORMAL:
            if self._alarms.pop(key, None) is not None:
                self.concerned[key[0]] -= 1
                if not self.concerned[key[0]]:
                    del self.concerned[key[0]]
            self._by_id.pop(alarm.alarm_id, None)
            self._noted.pop(key, None)
        else:
            if key not in self._alarms:
                self.concerned[key[0]] += 1
            self._alarms[key] = after
            self._by_id[alarm.alarm_id] = key
            self._noted[key] = after.priority
        self._steps.append(Transition(alarm=after, from_state=alarm.state, time_s=time_s, who=who, why=why))
        self.due_s = self._next_due_s()

    def _next_due_s(self) -> float:
        due_s = float("inf")
        for alarm in self._alarms.values():
            if alarm.state is AlarmState.SHELVED and alarm.until_s is not None:
                due_s = min(due_s, alarm.until_s)
            elif alarm.state is AlarmState.ACKNOWLEDGED and self._realarm_s is not None:
                due_s = min(due_s, alarm.changed_s + self._realarm_s)
        return due_s


def worst_first(alarm: Alarm) -> tuple[bool, int, float, int]:
    """Sort alarms worst first, then oldest first."""
    return (alarm.state not in _ACTIVE, -alarm.priority.rank, alarm.since_s, alarm.alarm_id)


def _key(alarm: Alarm) -> Key:
    return alarm.tank, alarm.condition, alarm.subject


def _is_activation(from_state: AlarmState, state: AlarmState) -> bool:
    return state is AlarmState.UNACKNOWLEDGED and from_state in (
        AlarmState.NORMAL,
        AlarmState.RETURNED,
        AlarmState.LATCHED,
    )
