"""Shelving with a reason and an end, reminders, health, other keys, and the first run."""

import asyncio
import re
from dataclasses import replace
from pathlib import Path

import pytest
from screen_fakes import (
    EVIL,
    NOW_S,
    FakeFeed,
    FakeHistory,
    make_alarm,
    make_app,
    make_config,
    make_room,
    make_tank,
    settle,
    troubled_room,
)
from textual.widgets import Input

from tankwatch.alarms.model import AlarmState, Condition
from tankwatch.clock import ManualClock
from tankwatch.config import Config, load
from tankwatch.reading import Channel
from tankwatch.screen.alarms_page import AlarmsPage
from tankwatch.screen.app import TankwatchApp
from tankwatch.screen.away_dialog import AwayDialog
from tankwatch.screen.bars import TopBar, draw_top, tabs
from tankwatch.screen.first_run import FIRST_FILE, FirstRun, draw_first
from tankwatch.screen.health_page import HealthPage, Places, draw_health, last_lines, this_screen
from tankwatch.screen.ink import length, plain
from tankwatch.screen.link import LinkState
from tankwatch.screen.picture import Picture
from tankwatch.screen.reminders import Reminders
from tankwatch.screen.standing import view_of
from tankwatch.screen.tankdraw import draw_head, heater_in_service
from tankwatch.snapshot import LiveValue, SplitSnapshot

USUAL = {"room": "r", "alarms": "a", "night": "g", "sources": "o", "health": "h"}


def shown(app: TankwatchApp) -> str:
    return " ".join(" ".join(p.text for p in app.screen.query(Picture)).split())


def told(app: TankwatchApp) -> str:
    return " | ".join(str(n.message) for n in app._notifications)


@pytest.mark.asyncio
async def test_shelving_needs_a_reason_and_an_end_within_the_limit() -> None:
    app, feed, _ = make_app(troubled_room())
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await pilot.press("a")
        await settle(pilot)
        await pilot.press("s")
        await settle(pilot)
        assert isinstance(app.screen, AwayDialog)
        assert app.screen.longest_min == 60.0, "critical"
        assert "A reason is needed" in shown(app)
        await pilot.press("enter")
        await settle(pilot)
        assert isinstance(app.screen, AwayDialog)
        app.screen.query_one("#away-minutes", Input).value = "90"
        app.screen.query_one("#away-why", Input).value = "new heater is on its way"
        await settle(pilot)
        assert "at most 60" in shown(app)
        app.screen.query_one("#away-minutes", Input).value = "45"
        await pilot.press("enter")
        await settle(pilot)
        assert feed.calls == [("shelve", 1, 45.0, "new heater is on its way", "keeper")]
        assert isinstance(app.screen, AlarmsPage)
        await pilot.press("down", "s")
        await settle(pilot)
        assert isinstance(app.screen, AwayDialog)
        assert app.screen.longest_min == 1440.0
        await pilot.press("escape")
        await settle(pilot)
        assert len(feed.calls) == 1


@pytest.mark.asyncio
async def test_out_of_service_and_bringing_back() -> None:
    shelved = make_alarm(1, state=AlarmState.SHELVED, until_s=NOW_S + 1800, who="keeper")
    out = make_alarm(
        2, "t02", Condition.LIGHT_OVERRUN, state=AlarmState.OUT_OF_SERVICE, message="out of service: new lamp"
    )
    latched = make_alarm(3, "t03", Condition.HEATER_STUCK_ON, state=AlarmState.LATCHED)
    lost = make_alarm(4, None, Condition.SOURCE_LOST, subject="broker")
    app, feed, _ = make_app(make_room(3, [shelved, out, latched, lost]))
    async with app.run_test(size=(100, 40)) as pilot:
        await settle(pilot)
        await pilot.press("a")
        await settle(pilot)
        assert "back at 02:30, sooner if it gets worse" in shown(app)
        await pilot.press("b", "down", "b")
        await settle(pilot)
        assert feed.calls == [("unshelve", 1, "keeper"), ("return_to_service", 2, "keeper")]
        await pilot.press("down", "f", "b")
        await settle(pilot)
        assert feed.calls[2:] == [("reset", 3, "keeper")]
        assert "was not put away" in told(app)
        await pilot.press("x", *"dry", "enter")
        await settle(pilot)
        assert feed.calls[3:] == [("take_out_of_service", "t03", Condition.HEATER_STUCK_ON, "dry", "keeper")]
        await pilot.press("down", "x", "f")
        await settle(pilot)
        assert "Only a condition of a tank" in told(app)
        assert "Only a latched alarm" in told(app)
        assert len(feed.calls) == 4


def test_work_that_runs_long_is_asked_about_again_and_again_but_not_each_second() -> None:
    reminders = Reminders()
    working = make_tank(0, service="work", service_since_s=NOW_S - 46 * 60)
    room = make_room(tanks=[working, make_tank(1)])
    assert "service for 46 min" in reminders.due(room, 0.0)[0]
    assert reminders.due(room, 60.0) == []
    assert len(reminders.due(room, 901.0)) == 1
    assert reminders.due(make_room(2), 2000.0) == []
    fresh = make_tank(0, service="work", service_since_s=NOW_S - 44 * 60)
    assert reminders.due(make_room(tanks=[fresh]), 5000.0) == []


@pytest.mark.asyncio
async def test_the_reminder_reaches_the_keeper_once() -> None:
    working = make_tank(0, service="work", service_since_s=NOW_S - 3600)
    app, feed, clock = make_app(make_room(tanks=[working, make_tank(1)]))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        clock.advance(1)
        feed.pictures.put_nowait(make_room(tanks=[working, make_tank(1)]))
        await settle(pilot)
        assert told(app).count("service for 1 h") == 1


@pytest.mark.parametrize(
    ("values", "words", "role"),
    [
        ({"heater": LiveValue(1.0, NOW_S, 5.0)}, "THE HEATER IS ON", "critical"),
        ({"heater": LiveValue(0.0, NOW_S, 5.0)}, "off is not unplugged", "text"),
        (
            {"heater": LiveValue(0.0, NOW_S, 5.0), "power": LiveValue(148.0, NOW_S, 5.0)},
            "DRAWS 148 W",
            "critical",
        ),
        ({"heater": LiveValue(0.0, NOW_S, 900.0, stale=True)}, "Nobody knows", "stale"),
        ({"heater": LiveValue(0.0, NOW_S, 5.0, retained=True)}, "Nobody knows", "stale"),
        ({}, "Nobody knows", "stale"),
    ],
    ids=lambda v: v if isinstance(v, str) else "",
)
def test_in_service_it_is_said_whether_the_heater_really_is_off(
    values: dict[str, LiveValue], words: str, role: str
) -> None:
    tank = make_tank(0, service="water-out", service_since_s=NOW_S - 600, values=values)
    (standing,) = view_of(make_room(tanks=[tank])).standings
    said, how = heater_in_service(standing)
    assert words in said
    assert how == role
    for width in (58, 100):
        lines = draw_head(standing, width, NOW_S)
        assert all(length(line) <= width for line in lines)
        assert "the heater must be unplugged" in " ".join(" ".join(plain(lines)).split()).replace("≈ ", "")


def test_the_power_channel_has_the_name_that_is_looked_for() -> None:
    assert (Channel.HEATER, Channel.POWER) == ("heater", "power")


def test_the_health_page_tells_queues_refusals_versions_and_the_log(tmp_path: Path) -> None:
    log = tmp_path / "tank.log"
    log.write_text(
        "".join(f"line {i}\n" for i in range(2000)) + f"{EVIL} WARNING broker lost\n", encoding="utf-8"
    )
    found = last_lines(log, 3)
    assert found[:2] == ("line 1998", "line 1999")
    room = make_room(2)
    view = view_of(replace(room, version="0.0.1"))
    for width in (58, 100):
        lines = draw_health(
            view, this_screen(), Places(Path("a.toml"), tmp_path / "tank.db"), found, "80×24", width
        )
        assert all(length(line) <= width + 2 for line in lines)
    text = " ".join(" ".join(plain(lines)).split())
    assert "12 readings waiting to be written" in text
    assert "99.0 MB, and 4.0 MB not yet folded in" in text
    assert "12 readings before judging, 0 readings before writing" in text
    assert "not SenML 3" in text
    assert "\\x1b[2J" in text, "the last refused one, made safe"
    assert "\x1b" not in text
    assert re.search(r"SQLite \d+\.\d+\.\d+", text)
    assert "not the version of this screen" in text
    assert "WARNING broker lost" in text
    assert "no log to read" in last_lines(tmp_path / "none.log", 3)[0]


def test_the_health_page_tells_which_watch_has_which_tanks(tmp_path: Path) -> None:
    split = SplitSnapshot(
        "a", {"t01": "a", "t02": "a"}, ("a", "b"), ("a", "b", "c"), "1 from c to a", trouble=f"{EVIL} away"
    )
    room = make_room(2)
    view = view_of(replace(room, split=replace(split, last_s=room.time_s - 7200.0)))
    for width in (58, 100):
        lines = draw_health(view, this_screen(), Places(None, tmp_path / "a.db"), (), "80×24", width)
        assert all(length(line) <= width + 2 for line in lines)
    text = " ".join(" ".join(plain(lines)).split())
    assert "a, this one 2 tanks: t01, t02" in text
    assert "b no tank" in text
    assert "c no tank; no sign of life" in text
    assert "last moved tanks: 1 from c to a; 2 h ago" in text
    assert "\x1b" not in text


@pytest.mark.asyncio
async def test_the_health_page_opens_with_and_without_a_watch() -> None:
    app, _, _ = make_app(make_room(2))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await pilot.press("h")
        await settle(pilot)
        assert isinstance(app.screen, HealthPage)
        assert "running for 3 days" in shown(app)
    app, _, _ = make_app(None, history=FakeHistory(broken=True))
    async with app.run_test(size=(60, 20)) as pilot:
        await settle(pilot)
        await pilot.press("h")
        await settle(pilot)
        assert "only this screen and its files are known" in shown(app)


@pytest.mark.asyncio
async def test_other_keys_work_and_the_bar_shows_them() -> None:
    config = make_config(6).model_dump() | {
        "keys": {"page.alarms": "f5", "room.acknowledge": "t", "quit": "ctrl+t"}
    }
    feed = FakeFeed()
    feed.pictures.put_nowait(troubled_room(6))
    app = TankwatchApp(
        Config.model_validate(config), feed, FakeHistory(), ManualClock(wall=NOW_S), who="keeper"
    )
    async with app.run_test(size=(100, 30)) as pilot:
        await settle(pilot)
        assert " F5 Alarms" in app.screen.query_one(TopBar).text
        await pilot.press("k")
        await settle(pilot)
        assert feed.calls == []
        await pilot.press("t")
        await settle(pilot)
        assert feed.calls == [("acknowledge", 1, "keeper")]
        assert "t acknowledge" in shown(app)
        await pilot.press("a")
        await settle(pilot)
        assert app.screen is app.pages["room"]
        await pilot.press("f5")
        await settle(pilot)
        assert isinstance(app.screen, AlarmsPage)
        await pilot.press("q")
        await settle(pilot)
        assert app.is_running


def test_the_bar_keeps_the_state_of_the_link_at_any_width() -> None:
    for width in (50, 60, 80, 120):
        for page in ("room", "health", "care"):
            line = draw_top("Back room", page, USUAL, 3, LinkState.ABSENT, None, width)
            assert length(line) == width
            text = plain([line])[0]
            assert "NO WATCH" in text
            assert "3 new" in text
            assert ("Health" if page == "health" else "Room") in text
    assert [t.key for t in tabs("room", USUAL, 0, 40)] == ["r", "a", "g", "o", "h"]


def test_the_first_file_is_valid_and_the_guidance_fits(tmp_path: Path) -> None:
    path = tmp_path / "tankwatch.toml"
    path.write_text(FIRST_FILE, encoding="utf-8")
    assert [t.id for t in load(path).tank] == ["t01"]
    for width in (58, 78):
        assert all(length(line) <= width for line in draw_first("no file " + EVIL, "", width))
    text = " ".join(" ".join(plain(draw_first("no file", "", 78))).split())
    for command in ("tankwatch demo", "tankwatch check", "tankwatch watch", "licensed person"):
        assert command in text


@pytest.mark.asyncio
async def test_the_first_run_writes_a_file_once_and_leaves_another_alone(tmp_path: Path) -> None:
    app = FirstRun("no configuration file", tmp_path)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("w")
        await asyncio.sleep(0)
        assert (tmp_path / "tankwatch.toml").read_text(encoding="utf-8") == FIRST_FILE
        assert "Written:" in app.query_one(Picture).text
        (tmp_path / "tankwatch.toml").write_text("mine", encoding="utf-8")
        await pilot.press("w")
        await pilot.pause()
        assert "Not written:" in app.query_one(Picture).text
        assert (tmp_path / "tankwatch.toml").read_text(encoding="utf-8") == "mine"
        await pilot.press("q")
    assert app.return_code == 0
