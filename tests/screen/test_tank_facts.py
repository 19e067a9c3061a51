"""The facts of one tank, in columns and in plain words."""

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest
from screen_fakes import EVIL, NOW_S, FakeHistory, make_alarm, make_room, make_tank, troubled_room

from tankwatch.alarms.model import AlarmState, Condition, Priority
from tankwatch.screen.alarmdraw import draw_detail
from tankwatch.screen.ink import length, plain
from tankwatch.screen.sources_page import draw_sources
from tankwatch.screen.standing import Standing, ordered, view_of
from tankwatch.screen.summary import what
from tankwatch.screen.tank_history import fetch
from tankwatch.screen.tankdraw import Past, draw_details, draw_head, findings
from tankwatch.screen.trail import Trail
from tankwatch.snapshot import Estimate, LiveValue, ModelSnapshot

UTC = ZoneInfo("UTC")


def standing_of(tank_id: str = "t01") -> Standing:
    found = view_of(troubled_room()).find(tank_id)
    assert found is not None
    return found


def text_of(standing: Standing, width: int = 120, past: Past | None = None) -> str:
    return "\n".join(plain(draw_details(standing, past or Past(), width, UTC, NOW_S)))


@pytest.mark.parametrize("width", [40, 58, 79, 119, 199])
def test_lines_never_leave_the_width(width: int) -> None:
    for key in ("t01", "t05", "t06", "t02"):
        standing = standing_of(key)
        assert all(length(line) <= width for line in draw_head(standing, width, NOW_S))
        assert all(length(line) <= width for line in draw_details(standing, Past(), width, UTC, NOW_S))


def test_the_head_says_how_warm_how_it_stands_and_how_long_is_left() -> None:
    text = "\n".join(plain(draw_head(standing_of(), 100, NOW_S)))
    for part in (
        "Long tank",
        "23.60 °C",
        "◆ critical",
        "38 min to low limit",
        "−1.40 to setpoint 25",
        "falling 0.6 °C/h",
    ):
        assert part in text
    assert "The heater draws power but the water falls." in text


@pytest.mark.parametrize(("value", "word"), [(1.0, "there"), (0.0, "gone")])
def test_mains_are_there_or_gone_and_never_a_watt(value: float, word: str) -> None:
    tank = make_tank()
    values = {**tank.values, "mains": LiveValue(value, NOW_S - 5, 5.0)}
    standing = view_of(replace(make_room(1), tanks=(replace(tank, values=values),))).find("t01")
    assert standing is not None
    (line,) = [line for line in text_of(standing, 58).splitlines() if "mains" in line]
    assert word in line.split()
    assert "W" not in line


def test_a_stale_number_is_doubted_and_dated() -> None:
    text = "\n".join(plain(draw_head(standing_of("t05"), 100, NOW_S)))
    assert "? 25.20 °C" in text
    assert "read 25 min ago" in text
    assert "? 25.20 °C  25 min ago" in text_of(standing_of("t05"))


def test_what_the_model_found_is_told_in_words() -> None:
    text = text_of(standing_of(), 199)
    for part in (
        "Loses 7.1 W for each degree above the room.",
        "Stuck on, it would reach 31.4 °C.",
        "If the heater died now: 3 h 20 min to 23 °C.",
        "The heater gives 143 W to the water.",
    ):
        assert part in text


def test_an_old_picture_tells_nothing_about_now() -> None:
    told = findings(make_tank(0).model, make_tank(0), live=False)
    assert told
    assert not any("now" in sentence for sentence in told)


def test_what_it_has_not_learned_it_does_not_claim() -> None:
    told = findings(ModelSnapshot(cycles_seen=1), make_tank(0))
    assert told == ["Still learning this tank: 1 heating cycle so far. The limits are watched meanwhile."]


def test_duty_is_shown_against_what_is_expected() -> None:
    text = text_of(standing_of())
    assert "100 % · 31 % · 33 %" in text
    assert "31 %, give or take 2" in text
    assert "5 h 30 min of 10 h" in text


def test_past_light_work_and_care() -> None:
    past = fetch(FakeHistory(), make_tank(0), Trail(), 100, NOW_S, 10.0, UTC).past
    assert [round(h or 0, 1) for _, h in past.light_days[-4:]] == [8.0, 8.0, 8.0, 0.0]
    text = text_of(standing_of(), 199, past)
    assert "service work, keeper" in text
    assert "change: 30 L at 25.2 °C" in text
    assert "14 days" in text


def test_a_store_that_cannot_be_read_is_told() -> None:
    fetched = fetch(FakeHistory(broken=True), make_tank(0), Trail(), 100, NOW_S, 10.0, UTC)
    assert fetched.trouble == "tank.db: there is no store yet"
    assert fetched.data.empty


def test_a_retained_value_says_that_its_age_is_unknown() -> None:
    tank = make_tank(
        0, values={"temperature": LiveValue(25.0, NOW_S, 3.0, retained=True), "odd": LiveValue(1, 0, 1)}
    )
    (standing,) = view_of(make_room(tanks=[tank])).standings
    assert "age unknown" in text_of(standing)


def test_service_is_announced_with_its_caution() -> None:
    (standing,) = view_of(make_room(tanks=[make_tank(0, service="water-out")])).standings
    assert "the heater must be unplugged" in "\n".join(plain(draw_head(standing, 100, NOW_S)))


def test_foreign_words_stay_words() -> None:
    alarm = make_alarm(1, message=EVIL, state=AlarmState.ACKNOWLEDGED, who=EVIL)
    tank = make_tank(0, name=EVIL)
    (standing,) = view_of(make_room(1, [alarm], [tank])).standings
    text = text_of(standing) + "\n".join(plain(draw_head(standing, 100, NOW_S)))
    assert "\x1b" not in text
    assert "[/red][0]" in text


def test_sources_tell_refusals_by_reason_and_the_last_one_safely() -> None:
    text = "\n".join(plain(draw_sources(make_room(1), True, 100)))
    for part in (
        "connected",
        "▲ bench",
        "lost",
        "3 payloads: not SenML 3",
        "12 readings",
        "5 min ago",
        "99.0 MB",
    ):
        assert part in text
    assert "\\x1b[2J" in text
    assert "\x1b" not in text
    assert "not known" in "\n".join(plain(draw_sources(None, False, 60)))
    old = "\n".join(plain(draw_sources(replace(make_room(1), sources=()), False, 60)))
    assert "when the watch last answered" in old
    assert "No source is configured" in old


def test_an_estimate_tells_its_doubt() -> None:
    model = replace(make_tank(0).model, expected_duty=Estimate(0.5, 0.07))
    (standing,) = view_of(make_room(tanks=[make_tank(0, model=model)])).standings
    assert "50 %, give or take 7" in text_of(standing)


def test_evidence_is_told_with_its_units() -> None:
    evidence = {
        "usual_top_c": 26.25,
        "slope_k_per_h": -0.55,
        "heater_on_min": 180,
        "likely": ["welded", EVIL],
        "seen": True,
    }
    alarm = make_alarm(1, evidence=evidence)
    text = "\n".join(plain(draw_detail(alarm, {"t01": "Long tank"}, 100, UTC, NOW_S)))
    for part in (
        "usual top: 26.25 °C",
        "slope: -0.55 °C per h",
        "heater on: 180 min",
        "likely: welded, [/red][0]",
        "seen: yes",
    ):
        assert part in text
    assert "\x1b" not in text


def test_what_is_over_is_told_as_over() -> None:
    alarms = [
        make_alarm(
            1, "t01", Condition.LIGHT_OVERRUN, Priority.LOW, AlarmState.RETURNED, since_s=NOW_S - 9000
        ),
        make_alarm(2, "t01", Condition.HEATER_STUCK_ON, Priority.CRITICAL, AlarmState.RETURNED),
        make_alarm(
            3, "t02", Condition.LIGHT_OVERRUN, Priority.LOW, AlarmState.RETURNED, since_s=NOW_S - 9000
        ),
    ]
    first, second, *_ = ordered(view_of(make_room(2, alarms)))
    assert (first.key, what(first)) == ("t01", "heater stuck on, ended, not acknowledged")
    assert second.key == "t02"
    assert first.message.startswith("It has ended, but nobody has acknowledged it.")
    assert "Ended. It was:" in "\n".join(plain(draw_detail(alarms[1], {}, 100, UTC, NOW_S)))
