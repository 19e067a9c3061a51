"""The table of states against the published one, and what the further states add."""

from collections.abc import Callable
from typing import Any

import pytest

from tankwatch.alarms.lifecycle import LATCHING, TRANSITIONS, Event, next_state
from tankwatch.alarms.model import AlarmState

STATES = {
    "A": AlarmState.NORMAL,
    "B": AlarmState.UNACKNOWLEDGED,
    "C": AlarmState.ACKNOWLEDGED,
    "D": AlarmState.RETURNED,
}
EVENTS = {
    "abnormal": Event.ABNORMAL,
    "normal": Event.NORMAL,
    "acknowledge": Event.ACKNOWLEDGE,
    "un-acknowledge/re-alarm": Event.REALARM,
}


def test_the_published_rows_hold(check_row: Callable[[str], Any]) -> None:
    """ANSI/ISA-18.2-2016 section 5 / IEC 62682, the alarm state diagram."""
    rows = check_row("alarm.transitions").expected["rows"]
    assert len(rows) == 7
    for start, event, end in rows:
        assert next_state(STATES[start[0]], EVENTS[event]) is STATES[end[0]], (start, event)


def test_between_the_four_published_states_there_is_no_other_way(check_row: Callable[[str], Any]) -> None:
    rows = check_row("alarm.transitions").expected["rows"]
    published = {(STATES[start[0]], EVENTS[event]) for start, event, _ in rows}
    ours = {
        (start, event)
        for (start, event), end in TRANSITIONS.items()
        if start in STATES.values() and end in STATES.values() and event in EVENTS.values()
    }
    assert ours == published


@pytest.mark.parametrize("state", [AlarmState.SHELVED, AlarmState.SUPPRESSED])
def test_what_is_put_away_comes_back_as_its_cause_stands(state: AlarmState) -> None:
    assert next_state(state, Event.RELEASE_ABNORMAL) is AlarmState.UNACKNOWLEDGED
    assert next_state(state, Event.RELEASE_NORMAL) is AlarmState.NORMAL
    assert next_state(state, Event.REALARM) is AlarmState.UNACKNOWLEDGED
    assert next_state(state, Event.ABNORMAL) is state
    assert next_state(state, Event.ACKNOWLEDGE) is None


def test_every_state_is_reached_and_can_be_left() -> None:
    edges = [(start, end) for (start, _), end in [*TRANSITIONS.items(), *LATCHING.items()]]
    assert {end for _, end in edges} == set(AlarmState)
    assert {start for start, end in edges if end is not start} == set(AlarmState)


def test_latching_needs_acknowledgement_and_reset_in_any_order_of_cause() -> None:
    acknowledged_first = next_state(AlarmState.ACKNOWLEDGED, Event.NORMAL, latching=True)
    gone_first = next_state(AlarmState.RETURNED, Event.ACKNOWLEDGE, latching=True)
    assert acknowledged_first is gone_first is AlarmState.LATCHED
    assert next_state(AlarmState.LATCHED, Event.NORMAL, latching=True) is None
    assert next_state(AlarmState.LATCHED, Event.ABNORMAL, latching=True) is AlarmState.UNACKNOWLEDGED
    assert next_state(AlarmState.LATCHED, Event.RESET, latching=True) is AlarmState.NORMAL
