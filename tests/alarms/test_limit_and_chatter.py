"""Limits with deadband and delays, and the definition of chattering."""

from collections.abc import Callable
from typing import Any

from tankwatch.alarms.chatter import ACTIVATIONS, WINDOW_S, ChatterDetector, is_chattering
from tankwatch.alarms.limit import HighLimit
from tankwatch.notify.dispatch import FLOOD_BEGINS


def test_the_published_boundary_rows_hold(check_row: Callable[[str], Any]) -> None:
    """Exactly at the limit it is raised; exactly at limit less deadband it still stands."""
    row = check_row("alarm.bounds")
    limit = HighLimit(row.inputs["H"], row.inputs["deadband"])
    seen = [limit.see(value, float(time_s)) for time_s, value in enumerate(row.inputs["series"])]
    assert seen == row.expected["active"], row.source


def test_on_delay_needs_the_whole_time_beyond_the_limit() -> None:
    """OPC 10000-9 v1.05, annex B.1.5."""
    limit = HighLimit(28.0, on_delay_s=60.0)
    assert not limit.see(28.5, 0.0)
    assert not limit.see(28.5, 59.0)
    assert not limit.see(27.9, 59.5)
    assert not limit.see(28.5, 61.0)
    assert not limit.see(28.5, 120.0)
    assert limit.see(28.5, 121.0)


def test_off_delay_is_not_ended_by_a_brief_return() -> None:
    """OPC 10000-9 v1.05, annex B.1.5."""
    limit = HighLimit(28.0, 0.5, off_delay_s=60.0)
    assert limit.see(28.0, 0.0)
    assert limit.see(27.0, 10.0)
    assert limit.see(28.2, 30.0)
    assert limit.see(27.0, 40.0)
    assert limit.see(27.0, 99.0)
    assert not limit.see(27.0, 100.0)


def test_chattering_is_three_activations_in_a_minute(check_row: Callable[[str], Any]) -> None:
    row = check_row("alarm.chatter")
    assert row.expected[:2] == [ACTIVATIONS, WINDOW_S], row.source
    detector = ChatterDetector()
    counts = [detector.activated("t01", time_s) for time_s in (0.0, 30.0, 60.0, 90.5, 200.0)]
    assert counts == [1, 2, 3, 2, 1]
    assert [is_chattering(count) for count in counts] == [False, False, True, False, False]


def test_a_flood_begins_at_the_published_rate(check_row: Callable[[str], Any]) -> None:
    row = check_row("alarm.rates")
    assert row.expected[1] == FLOOD_BEGINS, row.source
