"""The life cycle of an alarm as one table (ANSI/ISA-18.2-2016 section 5, IEC 62682).

The first seven rows are the published table. Shelving, suppression, being out of service and latching are the
further states of the same standard. An alarm that nobody may see (shelved, suppressed, out of service) goes
on following its cause, so that it comes back as the tank stands then.
"""

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
    """It got worse, or stood too long, after it was acknowledged or put away."""
    SHELVE = "shelve"
    """Someone puts it away for a limited time."""
    SUPPRESS = "suppress"
    """Work in the tank explains it."""
    TAKE_OUT = "take out of service"
    """Someone turns it off, with a reason, until it is returned to service."""
    RELEASE_ABNORMAL = "release, cause stands"
    """The shelf's time is over, or the suppression; the condition is still true."""
    RELEASE_NORMAL = "release, cause gone"
    """The same, and the condition is not true."""
    RESET = "reset"
    """Someone has put right what latched."""


_S, _E = AlarmState, Event

TRANSITIONS: dict[tuple[AlarmState, Event], AlarmState] = {
    (_S.NORMAL, _E.ABNORMAL): _S.UNACKNOWLEDGED,
    (_S.UNACKNOWLEDGED, _E.ACKNOWLEDGE): _S.ACKNOWLEDGED,
    (_S.ACKNOWLEDGED, _E.NORMAL): _S.NORMAL,
    (_S.UNACKNOWLEDGED, _E.NORMAL): _S.RETURNED,
    (_S.RETURNED, _E.ABNORMAL): _S.UNACKNOWLEDGED,
    (_S.RETURNED, _E.ACKNOWLEDGE): _S.NORMAL,
    (_S.ACKNOWLEDGED, _E.REALARM): _S.UNACKNOWLEDGED,
    # Latched: acknowledged, cause gone, and still to be put right by hand.
    (_S.LATCHED, _E.ABNORMAL): _S.UNACKNOWLEDGED,
    (_S.LATCHED, _E.RESET): _S.NORMAL,
    # Shelved: its cause may come and go meanwhile; what gets worse does not stay on the shelf.
    (_S.UNACKNOWLEDGED, _E.SHELVE): _S.SHELVED,
    (_S.ACKNOWLEDGED, _E.SHELVE): _S.SHELVED,
    (_S.RETURNED, _E.SHELVE): _S.SHELVED,
    (_S.SHELVED, _E.SHELVE): _S.SHELVED,
    (_S.SHELVED, _E.ABNORMAL): _S.SHELVED,
    (_S.SHELVED, _E.NORMAL): _S.SHELVED,
    (_S.SHELVED, _E.REALARM): _S.UNACKNOWLEDGED,
    (_S.SHELVED, _E.RELEASE_ABNORMAL): _S.UNACKNOWLEDGED,
    (_S.SHELVED, _E.RELEASE_NORMAL): _S.NORMAL,
    # Suppressed during service; what someone has acknowledged stays so.
    (_S.UNACKNOWLEDGED, _E.SUPPRESS): _S.SUPPRESSED,
    (_S.RETURNED, _E.SUPPRESS): _S.SUPPRESSED,
    (_S.SUPPRESSED, _E.ABNORMAL): _S.SUPPRESSED,
    (_S.SUPPRESSED, _E.NORMAL): _S.SUPPRESSED,
    (_S.SUPPRESSED, _E.REALARM): _S.UNACKNOWLEDGED,
    (_S.SUPPRESSED, _E.RELEASE_ABNORMAL): _S.UNACKNOWLEDGED,
    (_S.SUPPRESSED, _E.RELEASE_NORMAL): _S.NORMAL,
    # Out of service: not judged at all. A cause that still stands is found anew after the return.
    **{(state, _E.TAKE_OUT): _S.OUT_OF_SERVICE for state in _S if state is not _S.OUT_OF_SERVICE},
    (_S.OUT_OF_SERVICE, _E.RELEASE_NORMAL): _S.NORMAL,
}
"""Where each event leads; an event without an entry changes nothing."""

LATCHING: dict[tuple[AlarmState, Event], AlarmState] = {
    (_S.ACKNOWLEDGED, _E.NORMAL): _S.LATCHED,
    (_S.RETURNED, _E.ACKNOWLEDGE): _S.LATCHED,
    (_S.SHELVED, _E.RELEASE_NORMAL): _S.LATCHED,
    (_S.SUPPRESSED, _E.RELEASE_NORMAL): _S.LATCHED,
}
"""What is different for a condition that latches: it does not become normal by itself."""


def next_state(state: AlarmState, event: Event, *, latching: bool = False) -> AlarmState | None:
    """Return the state after `event`, or None where the event changes nothing."""
    if latching and (state, event) in LATCHING:
        return LATCHING[state, event]
    return TRANSITIONS.get((state, event))
