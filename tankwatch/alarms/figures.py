"""How good the alarms are: the figures of EEMUA 191 and ANSI/ISA-18.2, computed from the record.

Published aims, for one operator: about one alarm in ten minutes on average; a flood begins at ten in ten
minutes; 80 / 15 / 5 % of low, medium and high priority; an alarm that stands longer than a day is stale;
three activations in a minute are chattering.
"""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from tankwatch.alarms.chatter import ChatterDetector, is_chattering
from tankwatch.alarms.model import Alarm, AlarmState, Priority, Transition

AIM_PER_10_MIN = 1.0
FLOOD_PER_10_MIN = 10
STALE_H = 24.0
PRIORITY_AIM = {Priority.LOW: 0.80, Priority.MEDIUM: 0.15, Priority.HIGH: 0.05}
"""Critical is this program's own: with high it makes the published 5 %."""
_SLOT_S = 600.0
_BEFORE = (AlarmState.NORMAL, AlarmState.RETURNED, AlarmState.LATCHED)

Place = tuple[str | None, str]
"""Tank (None: the room) and condition."""


@dataclass(frozen=True, slots=True)
class AlarmFigures:
    """The figures of a stretch of the record; rates are activations in 10 minutes."""

    activations: int
    average_per_10_min: float
    peak_per_10_min: int
    """The most in any ten minutes of a fixed grid."""
    flood_share: float
    """Share of the ten-minute slots with a flood, 0 to 1."""
    standing: int
    """Alarms whose cause holds at the end."""
    stale: tuple[Place, ...]
    """Of those, the ones that have stood longer than a day."""
    chattering: dict[Place, int]
    """Activations that were part of chattering, by place."""
    most_frequent: tuple[tuple[Place, int], ...]
    """The ten places with the most activations."""
    priority_share: dict[Priority, float]
    """Share of each priority among the activations, 0 to 1."""


def alarm_figures(
    steps: Iterable[Transition], from_s: float, to_s: float, standing: Iterable[Alarm] = ()
) -> AlarmFigures:
    """Return the figures of `steps` between two times (seconds since 1970 UTC).

    `standing` are the alarms not normal at `to_s`.

    Raises:
        ValueError: the stretch has no length.
    """
    if not to_s > from_s:
        raise ValueError("a stretch of the record needs a beginning and a later end")
    begun = [
        step
        for step in steps
        if from_s <= step.time_s <= to_s
        and step.alarm.state is AlarmState.UNACKNOWLEDGED
        and step.from_state in _BEFORE
    ]
    slots = Counter(int((step.time_s - from_s) // _SLOT_S) for step in begun)
    places = Counter(_place(step.alarm) for step in begun)
    priorities = Counter(step.alarm.priority for step in begun)
    detector = ChatterDetector()
    chattering: Counter[Place] = Counter()
    for step in sorted(begun, key=lambda step: step.time_s):
        if is_chattering(detector.activated((_place(step.alarm), step.alarm.subject), step.time_s)):
            chattering[_place(step.alarm)] += 1
    holding = [alarm for alarm in standing if alarm.holds]
    number_of_slots = max(1, round((to_s - from_s) / _SLOT_S))
    return AlarmFigures(
        activations=len(begun),
        average_per_10_min=len(begun) * _SLOT_S / (to_s - from_s),
        peak_per_10_min=max(slots.values(), default=0),
        flood_share=sum(count >= FLOOD_PER_10_MIN for count in slots.values()) / number_of_slots,
        standing=len(holding),
        stale=tuple(_place(a) for a in holding if to_s - a.since_s > STALE_H * 3600.0),
        chattering=dict(chattering),
        most_frequent=tuple(places.most_common(10)),
        priority_share={p: priorities[p] / len(begun) if begun else 0.0 for p in Priority},
    )


def _place(alarm: Alarm) -> Place:
    return alarm.tank, alarm.condition.value
