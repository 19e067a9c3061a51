"""From a picture of the watch to what a keeper must know first."""

from dataclasses import replace

import pytest
from screen_fakes import EVIL, NOW_S, make_alarm, make_config, make_room, make_tank, troubled_room

from tankwatch.alarms.model import AlarmState, Condition, Priority
from tankwatch.reading import Channel
from tankwatch.screen.standing import Level, ordered, view_of, view_of_history
from tankwatch.screen.summary import sentence, time_left, what
from tankwatch.snapshot import LiveValue


def test_the_worst_comes_first_and_ties_by_time_left() -> None:
    alarms = [
        make_alarm(1, "t03", Condition.TOO_COLD, Priority.HIGH, margin_min=90.0),
        make_alarm(2, "t02", Condition.TOO_COLD, Priority.HIGH, margin_min=20.0),
        make_alarm(3, "t04", Condition.LIGHT_OVERRUN, Priority.LOW, margin_min=None),
        make_alarm(4, "t05", Condition.HEATER_STUCK_ON, Priority.CRITICAL),
        make_alarm(5, "t06", Condition.TOO_COLD, Priority.HIGH, AlarmState.ACKNOWLEDGED, margin_min=5.0),
    ]
    order = [s.key for s in ordered(view_of(make_room(6, alarms)))]
    assert order == ["t05", "t02", "t03", "t06", "t04", "t01"]


def test_alarms_of_the_room_stand_among_the_tanks_by_urgency() -> None:
    lost = make_alarm(7, None, Condition.SOURCE_LOST, Priority.HIGH, subject="bench", margin_min=None)
    first, second, *_ = ordered(view_of(make_room(2, [lost, make_alarm(1)])))
    assert (first.key, second.key, second.name) == ("t01", "room:7", "Source bench")
    assert second.tank is None


def test_by_name_and_by_place() -> None:
    view = view_of(troubled_room())
    assert [s.name for s in ordered(view, "name")][:3] == ["Driftwood", "Fern wall", "Long tank"]
    assert [s.key for s in ordered(view, "place")] == [f"t0{i}" for i in range(1, 7)]


@pytest.mark.parametrize(
    ("typed", "keys"),
    [("", 6), ("nurs", ["t03"]), ("T05", ["t05"]), ("critical", ["t01"]), ("probe silent", ["t05"]),
     ("quiet", ["t02", "t03"]), ("service", ["t06"]), ("nothing like it", [])],
)  # fmt: skip
def test_typing_filters_by_name_id_state_and_condition(typed: str, keys: list[str] | int) -> None:
    found = [s.key for s in ordered(view_of(troubled_room()), "worst", typed)]
    assert found == keys or len(found) == keys


@pytest.mark.parametrize(
    "value", [None, LiveValue(25.0, NOW_S, 900.0, stale=True), LiveValue(25.0, NOW_S, 1.0, retained=True)]
)
def test_a_value_that_nobody_can_trust_is_stale(value: LiveValue | None) -> None:
    values = {} if value is None else {"temperature": value}
    (standing,) = view_of(make_room(tanks=[make_tank(0, values=values)])).standings
    assert standing.level is Level.STALE
    assert standing.shape == "?"


def test_an_old_picture_makes_every_tank_stale_but_keeps_its_alarms() -> None:
    view = view_of(troubled_room(), live=False)
    assert view.find("t01").level is Level.CRITICAL  # type: ignore[union-attr]
    assert view.find("t02").level is Level.STALE  # type: ignore[union-attr]
    assert view.find("t01").doubtful  # type: ignore[union-attr]
    assert time_left(ordered(view)[0]) == "", "no time is promised from an old picture"
    assert sentence(view) == ("Nothing here is watched now: these are the last values known.", "stale")


def test_returned_shelved_and_acknowledged() -> None:
    alarms = [
        make_alarm(1, "t01", state=AlarmState.RETURNED),
        make_alarm(2, "t02", state=AlarmState.SHELVED),
        make_alarm(3, "t03", state=AlarmState.ACKNOWLEDGED),
    ]
    view = view_of(make_room(3, alarms))
    levels = [view.find(k).level for k in ("t01", "t02", "t03")]  # type: ignore[union-attr]
    assert levels == [Level.RETURNED, Level.QUIET, Level.CRITICAL]
    assert view.find("t03").shape == "◇"  # type: ignore[union-attr]


def test_the_sentence_says_what_where_and_how_long() -> None:
    text, role = sentence(view_of(troubled_room()))
    assert text == "Long tank: heater no heat, 38 min to low limit. 3 more need a look. 2 of 6 quiet."
    assert role == "critical"


def test_a_quiet_room_says_so_and_names_its_tightest_margin() -> None:
    text, role = sentence(view_of(make_room(3)))
    assert text == "All 3 tanks are quiet. If a heater died now: at least 3 h 20 min, in Long tank."
    assert role == "text"
    assert sentence(view_of(make_room(1)))[0].startswith(
        "The tank is quiet. If its heater died now: 3 h 20 min"
    )
    assert sentence(view_of(make_room(0)))[0] == "No tank is configured."


def test_no_time_is_promised_where_none_is_known() -> None:
    view = view_of(make_room(1, [make_alarm(1, margin_min=None)]))
    assert time_left(view.standings[0]) == ""
    assert "min" not in sentence(view)[0]


def test_time_left_runs_to_the_limit_that_the_condition_threatens() -> None:
    alarm = make_alarm(1, condition=Condition.HEATER_STUCK_ON)
    (standing,) = view_of(make_room(1, [alarm])).standings
    assert time_left(standing) == "38 min to high limit"
    (gone,) = view_of(make_room(1, [replace(alarm, margin_min=0.0)])).standings
    assert time_left(gone) == "no time left"


def test_service_is_named_by_what_is_done() -> None:
    (standing,) = view_of(make_room(tanks=[make_tank(0, service="water-out")])).standings
    assert (standing.level, what(standing)) == (Level.SERVICE, "water level lowered")


def test_without_a_watch_the_store_gives_names_limits_and_last_values() -> None:
    last = {("t01", Channel.TEMPERATURE): (NOW_S - 7200, 24.4)}
    view = view_of_history(make_config(2), last, NOW_S)
    one, two = view.standings
    assert one.temperature == LiveValue(24.4, NOW_S - 7200, 7200.0, stale=True)
    assert (one.level, two.level, two.word) == (Level.STALE, Level.STALE, "no value")
    assert not view.live


def test_foreign_names_are_cleaned_in_the_sentence() -> None:
    text, _ = sentence(view_of(make_room(tanks=[make_tank(0, name=EVIL)], alarms=[make_alarm(1)])))
    assert "\x1b" not in text
    assert "水族館" in text
