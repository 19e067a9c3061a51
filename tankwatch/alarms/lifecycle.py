"""The life cycle of an alarm as one table (ANSI/ISA-18.2-2016 section 5, IEC 62682)."""

from enum import StrEnum

from tankwatch.alarms.model import AlarmState


class Event(StrEnum):
    """What can happen to an alarm."""

    ABNORMAL = "abnormal"
    """The condition became true."""
    NORMAL = "normal"
    """The condition is gone."""
    ACKNOWLEDGE = "acknowledge"
    """Someone has seen it."""
    REALARM = "re-alarm"
    """It got worse after it was acknowledged."""


TRANSITIONS: dict[tuple[AlarmState, Event], AlarmState] = {
    (AlarmState.NORMAL, Event.ABNORMAL): AlarmState.UNACKNOWLEDGED,
    (AlarmState.UNACKNOWLEDGED, Event.ACKNOWLEDGE): AlarmState.ACKNOWLEDGED,
    (AlarmState.ACKNOWLEDGED, Event.NORMAL): AlarmState.NORMAL,
    (AlarmState.UNACKNOWLEDGED, Event.NORMAL): AlarmState.RETURNED,
    (AlarmState.RETURNED, Event.ABNORMAL): AlarmState.UNACKNOWLEDGED,
    (AlarmState.RETURNED, Event.ACKNOWLEDGE): AlarmState.NORMAL,
    (AlarmState.ACKNOWLEDGED, Event.REALARM): AlarmState.UNACKNOWLEDGED,
}


def next_state(state: AlarmState, event: Event) -> AlarmState | None:
    """Return the state after `event`, or None where the event changes nothing."""
    return TRANSITIONS.get((state, event))
