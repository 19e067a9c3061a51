"""Alarms as recorded: what was told, when it was acknowledged and by whom, when it ended."""

from collections.abc import Iterable
from dataclasses import dataclass

from tankwatch.alarms.model import AlarmState, Transition


@dataclass(frozen=True, slots=True)
class Delivery:
    """One message about an alarm to one person by one way; times in seconds since 1970 UTC."""

    person: str
    way: str
    kind: str
    """Why it was sent: `alarm`, `reminder`, `escalated` and so on."""
    made_s: float
    state: str
    """`sent` (taken by the way's server), `waiting` or `given up`."""
    settled_s: float | None
    """When it was taken, or given up."""
    attempts: int


@dataclass(frozen=True, slots=True)
class AlarmRecord:
    """One alarm's life within a stretch; times in seconds since 1970 UTC."""

    alarm_id: int
    tank: str | None
    condition: str
    priority: str
    message: str
    since_s: float
    """When its condition became true, as the watch had it."""
    told_s: float
    """When it was first told within the stretch."""
    times: int
    """How often it was told."""
    acknowledged_s: float | None
    who: str | None
    returned_s: float | None
    """When its condition was gone; None: it still held at the end of the stretch."""
    deliveries: tuple[Delivery, ...] | None = None
    """Messages about it within the stretch, oldest first; None where there is nobody to be told."""

    @property
    def reached_nobody(self) -> bool:
        """Tell whether messages about it were made and not one was taken."""
        return bool(self.deliveries) and all(d.state != "sent" for d in self.deliveries or ())


def alarm_records(steps: Iterable[Transition]) -> tuple[AlarmRecord, ...]:
    """Return one record for each alarm told in `steps`, in order of telling."""
    lives: dict[int, list[Transition]] = {}
    for step in steps:
        lives.setdefault(step.alarm.alarm_id, []).append(step)
    records = [_record(life) for life in lives.values() if any(_tells(step) for step in life)]
    return tuple(sorted(records, key=lambda r: (r.told_s, r.alarm_id)))


def _tells(step: Transition) -> bool:
    return step.alarm.state is AlarmState.UNACKNOWLEDGED


def _record(life: list[Transition]) -> AlarmRecord:
    told = [step for step in life if _tells(step)]
    worst = max(told, key=lambda step: step.alarm.priority.rank).alarm
    seen = next((s for s in life if s.alarm.state is AlarmState.ACKNOWLEDGED or s.who is not None), None)
    last = life[-1]
    gone = next(
        (
            s
            for s in reversed(life)
            if s.from_state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
            and s.alarm.state in (AlarmState.RETURNED, AlarmState.NORMAL)
        ),
        None,
    )
    holds = last.alarm.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
    return AlarmRecord(
        alarm_id=worst.alarm_id,
        tank=worst.tank,
        condition=worst.condition.value,
        priority=worst.priority.value,
        message=worst.message,
        since_s=told[0].alarm.since_s,
        told_s=told[0].time_s,
        times=len(told),
        acknowledged_s=None if seen is None else seen.time_s,
        who=None if seen is None else seen.who,
        returned_s=None if holds or gone is None else gone.time_s,
    )
