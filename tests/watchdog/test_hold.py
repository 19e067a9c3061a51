"""How long a state heard once is believed: learned from the pauses between readings. Data is invented."""

import pytest

from tankwatch.watchdog.hold import ON_CHANGE_HOLD_S, PERIODIC_HOLD_S, Hold


def noted(*pauses: float) -> Hold:
    hold = Hold()
    for pause_s in pauses:
        hold.note(pause_s)
    return hold


def test_at_first_a_state_is_believed_for_long() -> None:
    assert Hold().hold_s == ON_CHANGE_HOLD_S


@pytest.mark.parametrize("interval_s", [2.0, 10.0, 60.0, 300.0])
def test_a_channel_that_reports_with_every_reading_goes_silent_soon(interval_s: float) -> None:
    assert noted(*[interval_s] * 40).hold_s == PERIODIC_HOLD_S


def test_a_channel_that_reports_changes_only_has_nothing_new_to_say() -> None:
    assert noted(*[3600.0, 5400.0] * 40).hold_s == ON_CHANGE_HOLD_S


def test_a_lamp_that_flickered_for_a_while_is_still_one_that_reports_changes() -> None:
    assert noted(*[25_200.0, 61_200.0] * 4, *[5.0] * 30).hold_s == ON_CHANGE_HOLD_S


def test_a_few_gaps_do_not_make_a_regular_channel_one_of_changes() -> None:
    assert noted(*[10.0] * 400, *[4000.0] * 5).hold_s == PERIODIC_HOLD_S
