"""How the alarms themselves did: the figures by which alarm systems are judged.

Targets: EEMUA 191 and ANSI/ISA-18.2: on average about one alarm in ten minutes can be handled, more than ten
in ten minutes are a flood; priorities about 80 / 15 / 5 % from low to high. An alarm that is told three times
within 60 s chatters; one that stands longer than 24 h is stale. IEC 62682 (2014) has 144 a day; ISA-18.2 of
2016 no longer gives a figure for the day. They were made for control rooms with an operator at the desk: a
keeper asleep wants far fewer.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tankwatch.alarms.model import Alarm, AlarmState, Priority, Transition

STEADY_PER_10_MIN = 1.0
FLOOD_PER_10_MIN = 10
SHARES = {"low": 0.80, "medium": 0.15, "high": 0.05}
"""Aim for the shares of priorities; critical counts with high here."""
CHATTER_COUNT, CHATTER_S = 3, 60.0
STALE_S = 24 * 3600.0


@dataclass(frozen=True, slots=True)
class AlarmLoad:
    """Figures of one stretch."""

    told: int
    hours: float
    per_hour: float
    per_10_min: float
    """Average."""
    peak_10_min: int
    """Most alarms told within any ten minutes."""
    peak_s: float | None
    """When those ten minutes began."""
    floods: int
    """Separate times with more than ten alarms in ten minutes."""
    shares: dict[str, float]
    """Share of each priority among the alarms told, 0..1."""
    chattering: tuple[tuple[str, int], ...]
    """Tank and condition of alarms told three times within 60 s, and how often they were told in all."""
    standing: int
    """Alarms not normal at the end."""
    stale: int
    """Of those, standing longer than 24 h."""
    unacknowledged: int
    """Of those, not acknowledged."""
    median_minutes_to_acknowledge: float | None


def alarm_load(
    steps: Sequence[Transition], standing: Sequence[Alarm], from_s: float, to_s: float
) -> AlarmLoad:
    """Return the figures of `steps` between two times; `standing` are the alarms that stand at the end."""
    told = [s for s in steps if s.alarm.state is AlarmState.UNACKNOWLEDGED and from_s <= s.time_s <= to_s]
    times = np.sort(np.array([step.time_s for step in told]))
    counts = np.searchsorted(times, times + 600.0) - np.arange(len(times)) if len(times) else np.array([0])
    hours = (to_s - from_s) / 3600.0
    by_priority = {p.value: sum(s.alarm.priority is p for s in told) for p in Priority}
    return AlarmLoad(
        told=len(told),
        hours=hours,
        per_hour=len(told) / hours,
        per_10_min=len(told) / hours / 6.0,
        peak_10_min=int(counts.max()),
        peak_s=float(times[int(np.argmax(counts))]) if len(times) else None,
        floods=_floods(times),
        shares={name: number / len(told) for name, number in by_priority.items()} if told else {},
        chattering=_chattering(told),
        standing=len(standing),
        stale=sum(to_s - alarm.since_s > STALE_S for alarm in standing),
        unacknowledged=sum(
            alarm.state in (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED) for alarm in standing
        ),
        median_minutes_to_acknowledge=_time_to_acknowledge(steps),
    )


def standing_at(steps: Sequence[Transition]) -> list[Alarm]:
    """Return the alarms that stand after `steps`, which hold their whole lives up to then."""
    newest = {step.alarm.alarm_id: step.alarm for step in steps}
    return [alarm for alarm in newest.values() if alarm.state is not AlarmState.NORMAL]


def _floods(times: "np.ndarray[tuple[int], np.dtype[np.float64]]") -> int:
    floods, index = 0, 0
    while index < len(times):
        if np.searchsorted(times, times[index] + 600.0) - index > FLOOD_PER_10_MIN:
            floods += 1
            index = int(np.searchsorted(times, times[index] + 600.0))
        else:
            index += 1
    return floods


def _chattering(told: Sequence[Transition]) -> tuple[tuple[str, int], ...]:
    groups: dict[str, list[float]] = defaultdict(list)
    for step in told:
        place = step.alarm.tank or step.alarm.subject or "room"
        groups[f"{place} {step.alarm.condition.value}"].append(step.time_s)
    found = []
    for name, times in sorted(groups.items()):
        times.sort()
        ends = times[CHATTER_COUNT - 1 :]
        if any(end - begin <= CHATTER_S for begin, end in zip(times, ends, strict=False)):
            found.append((name, len(times)))
    return tuple(found)


def _time_to_acknowledge(steps: Sequence[Transition]) -> float | None:
    told: dict[int, float] = {}
    waits = []
    for step in steps:
        if step.alarm.state is AlarmState.UNACKNOWLEDGED:
            told[step.alarm.alarm_id] = step.time_s
        elif step.who is not None and step.alarm.alarm_id in told:
            waits.append(step.time_s - told.pop(step.alarm.alarm_id))
    return float(np.median(waits)) / 60.0 if waits else None
