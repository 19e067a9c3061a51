"""The book of standing alarms: it turns what the watchdog finds into steps of each alarm's life."""

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from tankwatch.alarms.lifecycle import Event, next_state
from tankwatch.alarms.model import Alarm, AlarmState, Condition, Priority, Transition
from tankwatch.errors import UsageError

_ACTIVE = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED})

Key = tuple[str | None, Condition, str | None]
"""Tank, condition, and the subject (a source) of an alarm that belongs to no tank."""


class AlarmBook:
    """All alarms that are not normal, and the steps not yet taken away by the caller.

    A step never bears a time before an earlier step: a probe whose clock went back must not make the
    record run backwards.
    """

    def __init__(self, standing: Iterable[Alarm] = (), next_id: int = 1) -> None:
        """Start from the alarms that stood when the watch last ran; new ones count up from `next_id`."""
        self._alarms: dict[Key, Alarm] = {(a.tank, a.condition, a.subject): a for a in standing}
        self._next_id = max([next_id, *(a.alarm_id + 1 for a in self._alarms.values())])
        self._steps: list[Transition] = []
        self._last_step_s = float("-inf")

    @property
    def standing(self) -> tuple[Alarm, ...]:
        """Every alarm that is not normal, worst first, then oldest first."""
        return tuple(
            sorted(
                self._alarms.values(),
                key=lambda a: (a.state not in _ACTIVE, -a.priority.rank, a.since_s, a.alarm_id),
            )
        )

    @property
    def has_steps(self) -> bool:
        """Tell whether steps wait to be taken away."""
        return bool(self._steps)

    def active(self, tank: str | None, condition: Condition, subject: str | None = None) -> Alarm | None:
        """Return the alarm if its condition holds now, else None."""
        alarm = self._alarms.get((tank, condition, subject))
        return alarm if alarm is not None and alarm.state in _ACTIVE else None

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

        A rise in priority of an acknowledged alarm makes it unacknowledged again (re-alarm).
        """
        key = (tank, condition, subject)
        old = self._alarms.get(key)
        news: dict[str, Any] = {
            "priority": priority,
            "message": message,
            "value": value,
            "margin_min": margin_min,
            "evidence": evidence or {},
        }
        if old is None:
            alarm = Alarm(
                alarm_id=self._next_id,
                tank=tank,
                condition=condition,
                state=AlarmState.NORMAL,
                since_s=time_s if since_s is None else since_s,
                changed_s=time_s,
                subject=subject,
                **news,
            )
            self._next_id += 1
            self._step(key, alarm, Event.ABNORMAL, time_s)
        elif old.state is AlarmState.RETURNED:
            self._step(
                key,
                replace(old, since_s=time_s if since_s is None else since_s, **news),
                Event.ABNORMAL,
                time_s,
            )
        elif priority.rank > old.priority.rank and old.state is AlarmState.ACKNOWLEDGED:
            self._step(key, replace(old, **news), Event.REALARM, time_s, why="priority rose")
        else:
            self._alarms[key] = replace(old, **news)

    def end(
        self, tank: str | None, condition: Condition, time_s: float, *, subject: str | None = None
    ) -> None:
        """Tell that a condition is gone; nothing happens if it did not hold."""
        key = (tank, condition, subject)
        old = self._alarms.get(key)
        if old is not None:
            self._step(key, old, Event.NORMAL, time_s)

    def acknowledge(self, alarm_id: int, who: str, time_s: float) -> None:
        """Note that `who` has seen the alarm.

        Raises:
            UsageError: no such alarm stands, or it was acknowledged before.
        """
        for key, alarm in self._alarms.items():
            if alarm.alarm_id == alarm_id:
                if next_state(alarm.state, Event.ACKNOWLEDGE) is None:
                    raise UsageError(f"alarm {alarm_id} is {alarm.state.value} already")
                self._step(key, replace(alarm, who=who), Event.ACKNOWLEDGE, time_s, who=who)
                return
        raise UsageError(f"no alarm {alarm_id} stands")

    def take_steps(self) -> list[Transition]:
        """Return the steps since the last call, in time order."""
        steps, self._steps = self._steps, []
        return steps

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
        to_state = next_state(alarm.state, event)
        if to_state is None:
            return
        time_s = max(time_s, self._last_step_s)
        self._last_step_s = time_s
        after = replace(alarm, state=to_state, changed_s=time_s)
        if to_state is AlarmState.NORMAL:
            self._alarms.pop(key, None)
        else:
            self._alarms[key] = after
        self._steps.append(Transition(alarm=after, from_state=alarm.state, time_s=time_s, who=who, why=why))
