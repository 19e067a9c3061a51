"""The difference between two configurations, on invented alarms and recordings with known answers."""

import json
from datetime import datetime
from pathlib import Path

import pytest
from backtest_data import HOUR_S, T0_S, Rooms, falling, printed, two_rooms

from tankwatch.backtest.compare import Change, compared, counted
from tankwatch.backtest.episode import Episode

_HEADERS = ["condition", "before", "after", "new", "gone", "earlier", "later", "same"]


@pytest.fixture(scope="module")
def rooms(tmp_path_factory: pytest.TempPathFactory) -> Rooms:
    return two_rooms(tmp_path_factory.mktemp("rooms"))


def alarm(begin_h: float, end_h: float | None, tank: str | None = "t01", name: str = "too-cold") -> Episode:
    end_s = None if end_h is None else T0_S + end_h * HOUR_S
    return Episode(tank, name, T0_S + begin_h * HOUR_S, end_s, "high", "invented")


def changes(before: list[Episode], after: list[Episode]) -> list[tuple[str, float | None]]:
    return [(matter.change.value, matter.minutes_later) for matter in compared(before, after)]


def test_an_alarm_that_overlaps_nothing_is_new_or_gone() -> None:
    assert changes([], [alarm(1, 2)]) == [("new", None)]
    assert changes([alarm(1, 2)], []) == [("gone", None)]
    assert changes([alarm(1, 2)], [alarm(3, 4)]) == [("gone", None), ("new", None)]


def test_overlap_is_earlier_later_or_the_same() -> None:
    assert changes([alarm(1, 3)], [alarm(1, 2)]) == [("same", 0.0)]
    assert changes([alarm(1, 3)], [alarm(2, 4)]) == [("later", 60.0)]
    assert changes([alarm(1, 3)], [alarm(0.5, 1.5)]) == [("earlier", -30.0)]
    assert changes([alarm(1, None)], [alarm(50, None)]) == [("later", 49 * 60.0)]


def test_less_than_a_printed_second_is_no_change() -> None:
    sooner = Episode("t01", "too-cold", T0_S + 0.2, None, "high", "invented")
    later = Episode("t01", "too-cold", T0_S + 0.9, None, "high", "invented")
    assert changes([sooner], [later]) == [("same", 0.0)]


def test_an_alarm_that_falls_apart_is_one_matter() -> None:
    matters = compared([alarm(1, 9)], [alarm(2, 3), alarm(4, 5), alarm(6, 9)])
    assert [(m.change, len(m.before), len(m.after)) for m in matters] == [(Change.LATER, 1, 3)]


def test_other_tanks_and_conditions_do_not_match() -> None:
    before = [alarm(1, 2), alarm(1, 2, "t02"), alarm(1, 2, None, "power-loss")]
    after = [alarm(1, 2, "t02", "too-warm"), alarm(1, 2, "t03")]
    counts = counted(compared(before, after))
    assert counts["too-cold"] == {Change.GONE: 2, Change.NEW: 1}
    assert counts["too-warm"] == {Change.NEW: 1}
    assert counts["power-loss"] == {Change.GONE: 1}


def test_limits_over_a_known_fall_are_new_gone_earlier_and_later(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """25 °C falling by 0.5 K/h passes 23.5 °C after 3 h and 23 °C after 4 h, and never 20 °C."""
    room = falling(tmp_path)
    usual, narrow = room.write_config("-usual", low_c=23.0), room.write_config("-narrow", low_c=23.5)
    wide = room.write_config("-wide", low_c=20.0)

    def row(config: Path, other: Path) -> list[str]:
        lines = printed(config, room.parquet, "--against", other, capsys=capsys).splitlines()
        assert lines[1].split() == _HEADERS
        return next(line for line in lines if line.startswith("too-cold")).split()[1:]

    assert row(usual, narrow) == ["1", "1", "0", "0", "1", "0", "0"]
    assert row(narrow, usual) == ["1", "1", "0", "0", "0", "1", "0"]
    assert row(usual, wide) == ["1", "0", "0", "1", "0", "0", "0"]
    assert row(wide, usual) == ["0", "1", "1", "0", "0", "0", "0"]
    assert row(usual, usual) == ["1", "1", "0", "0", "0", "0", "1"]

    lines = printed(usual, room.parquet, "--against", narrow, "--json", capsys=capsys)
    (cold,) = [r for r in map(json.loads, lines.splitlines()) if r["alarm"] == "too-cold"]
    assert (cold["tank"], cold["room"], cold["change"]) == ("t02", "Falling room", "earlier")
    assert cold["minutes_later"] == pytest.approx(-60.0, abs=2.0)
    told = datetime.fromisoformat(cold["before"][0]["begin"]).timestamp() - T0_S
    assert 4 * HOUR_S <= told < 4.5 * HOUR_S


def test_the_table_counts_alarms_by_condition_and_tank(
    rooms: Rooms, capsys: pytest.CaptureFixture[str]
) -> None:
    table = printed(rooms[0].config, "--room", rooms[1].config, "--store", capsys=capsys)
    assert table.startswith("North room: ")
    lines = [line.split() for line in table.splitlines()]
    losses = [line for line in lines if line[:2] == ["power-loss", "(room)"]]
    assert [line[2] for line in losses] == ["1", "1"]
    assert "\nSouth room: " in table
