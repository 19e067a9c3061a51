"""The pages driven by keys and by the mouse: state first, then the words on them."""

import csv
import os
import stat
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
    make_room,
    make_tank,
    settle,
    troubled_room,
)
from textual.binding import Binding
from textual.widgets import Input

from tankwatch.alarms.model import AlarmState, Condition, Priority
from tankwatch.reading import ServiceMark
from tankwatch.screen.alarms_page import AlarmsPage
from tankwatch.screen.app import TankwatchApp
from tankwatch.screen.help_page import HelpPage
from tankwatch.screen.link import LinkState
from tankwatch.screen.page import Page
from tankwatch.screen.picture import Picture
from tankwatch.screen.room_page import RoomPage, WallPicture
from tankwatch.screen.service_dialog import ServiceBegin, ServiceEnd
from tankwatch.screen.tank_page import TankPage

pytestmark = pytest.mark.asyncio


def on_top(app: TankwatchApp, page: object) -> bool:
    """Say whether `page` is what the keeper sees."""
    return app.screen is page


def shown(app: TankwatchApp) -> str:
    """Return all words on the page on top."""
    return "\n".join(p.text for p in app.screen.query(Picture))


def room_of(app: TankwatchApp) -> RoomPage:
    page = app.pages["room"]
    assert isinstance(page, RoomPage)
    return page


def tank_of(app: TankwatchApp) -> TankPage:
    page = app.pages["tank"]
    assert isinstance(page, TankPage)
    return page


async def test_the_room_says_what_is_wrong_and_enter_opens_the_worst() -> None:
    app, _, _ = make_app(troubled_room())
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        assert app.link.state is LinkState.LIVE
        assert room_of(app).chosen == "t01"
        assert "Long tank: heater no heat, 38 min to low limit." in shown(app)
        assert "2 new" in shown(app)
        await pilot.press("enter")
        await settle(pilot)
        assert on_top(app, tank_of(app))
        assert tank_of(app).tank_id == "t01"
        assert "Loses 7.1 W" in shown(app)
        await pilot.press("escape")
        await settle(pilot)
        assert on_top(app, room_of(app))


async def test_arrows_choose_sort_and_search() -> None:
    app, _, _ = make_app(troubled_room())
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        room = room_of(app)
        await pilot.press("down")
        assert room.chosen == "t05"
        await pilot.press("home")
        assert room.chosen == "t01"
        await pilot.press("s")
        assert room.order == "name"
        await settle(pilot)
        assert "Sorted by name" in shown(app)
        await pilot.press("slash", "n", "u", "r")
        await settle(pilot)
        assert room.wanted == "nur"
        assert [s.key for s in room.query_one(WallPicture).spots] == ["t03"]
        await pilot.press("enter")
        await settle(pilot)
        assert tank_of(app).tank_id == "t03"
        await pilot.press("escape", "escape")
        await settle(pilot)
        assert room.wanted == ""
        assert not room.query_one("#search", Input).display


async def test_a_click_chooses_and_a_second_one_opens() -> None:
    app, _, _ = make_app(troubled_room())
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        spot = next(s for s in room_of(app).query_one(WallPicture).spots if s.key == "t05")
        await pilot.click("#wall", offset=(spot.x + 20, spot.y))
        await settle(pilot)
        assert room_of(app).chosen == "t05"
        await pilot.click("#wall", offset=(spot.x + 20, spot.y))
        await settle(pilot)
        assert tank_of(app).tank_id == "t05"
        await pilot.click("TopBar", offset=(11, 0))
        await settle(pilot)
        assert isinstance(app.screen, AlarmsPage)
        await pilot.click("KeyLine", offset=(11, 0))
        await settle(pilot)
        assert on_top(app, room_of(app)), "the line of keys can be clicked: Esc goes back"


async def test_acknowledging_tells_the_watch_who_saw_it() -> None:
    app, feed, _ = make_app(troubled_room())
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await pilot.press("k")
        await settle(pilot)
        assert feed.calls == [("acknowledge", 1, "keeper")]
        await pilot.press("a")
        await settle(pilot)
        await pilot.press("down", "k")
        await settle(pilot)
        assert feed.calls[1:] == [("acknowledge", 2, "keeper")]
        await pilot.press("K")
        await settle(pilot)
        assert feed.calls[2:] == [("acknowledge", 1, "keeper"), ("acknowledge", 2, "keeper")]


async def test_what_is_done_and_not_on_the_disk_yet_is_told_and_the_rest_is_done_too() -> None:
    app, feed, _ = make_app(troubled_room())
    feed.unkept = True
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await pilot.press("a")
        await settle(pilot)
        await pilot.press("K")
        await settle(pilot)
        assert len(feed.calls) > 1  # the first that is not kept holds up none of the others
        (note,) = app._notifications
        assert note.severity == "warning"
        assert "not on the disk yet" in str(note.message)


async def test_a_refusal_is_shown_as_plain_text() -> None:
    app, feed, _ = make_app(troubled_room())
    feed.refuse = f"alarm 1 is acknowledged already {EVIL}"
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await pilot.press("k")
        await settle(pilot)
        notes = [n.message for n in app._notifications]
        assert any("did not take it" in str(n) and "[/red]" in str(n) for n in notes)
        assert app.is_running


async def test_the_choice_stays_on_its_alarm_when_the_list_moves() -> None:
    app, feed, _ = make_app(troubled_room())
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        await pilot.press("a", "down")
        await settle(pilot)
        assert "Quarantine: probe silent" in shown(app)
        worse = make_alarm(9, "t02", Condition.HEATER_STUCK_ON, Priority.CRITICAL)
        feed.pictures.put_nowait(replace(troubled_room(), alarms=(worse, *troubled_room().alarms)))
        await settle(pilot)
        page = app.screen
        assert isinstance(page, AlarmsPage)
        assert page.chosen == 2
        assert "Quarantine: probe silent" in shown(app)
        assert "Measure by hand" in shown(app) or "measure by hand" in shown(app)


async def test_the_record_comes_from_the_store() -> None:
    app, _, _ = make_app(make_room(2))
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        await pilot.press("a")
        await settle(pilot)
        assert "No alarm stands." in shown(app)
        await pilot.press("v")
        await settle(pilot)
        assert "heater no heat" in shown(app)
        assert "Look first at" in shown(app)
        assert "Electrical work is for a licensed person" in shown(app)


async def test_zoom_pan_and_cursor_ask_the_store_for_their_stretch() -> None:
    history = FakeHistory()
    app, _, _ = make_app(troubled_room(), history=history)
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        await pilot.press("enter")
        await settle(pilot)
        page = tank_of(app)
        assert page.fetched is not None
        assert page.fetched.data.to_s - page.fetched.data.from_s == 86_400
        await pilot.press("minus")
        await settle(pilot)
        assert page.fetched.data.to_s - page.fetched.data.from_s == 3 * 86_400
        await pilot.press("comma")
        await settle(pilot)
        assert page.fetched.data.to_s == NOW_S - 1.5 * 86_400
        await pilot.press("end", "left", "left")
        await settle(pilot)
        assert page.trail.cursor_s is not None
        assert " °C (" in shown(app)
        assert "heater 30 %" in shown(app)
        before = len(history.asked)
        await pilot.press("left", "y")
        await settle(pilot)
        assert page.close_up
        assert len(history.asked) == before, "moving the cursor reads nothing anew"
        await pilot.press("n")
        await settle(pilot)
        assert page.tank_id == "t05"


async def test_service_shows_cautions_marks_the_begin_and_asks_before_the_end() -> None:
    app, feed, _ = make_app(make_room(2))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await pilot.press("enter", "s")
        await settle(pilot)
        assert isinstance(app.screen, ServiceBegin)
        text = shown(app)
        assert "Unplug the heater" in text
        assert "residual-current" in text
        assert "drip loop" in text
        await pilot.press("escape")
        await settle(pilot)
        assert feed.calls == []
        await pilot.press("s", "2")
        await settle(pilot)
        assert feed.calls == [("mark", "t01", ServiceMark.WATER_OUT, "keeper")]
        working = make_room(tanks=[make_tank(0, service="water-out"), make_tank(1)])
        feed.pictures.put_nowait(working)
        await settle(pilot)
        assert "the heater must be unplugged" in shown(app)
        await pilot.press("s")
        await settle(pilot)
        assert isinstance(app.screen, ServiceEnd)
        assert "plugged in" in shown(app)
        await pilot.press("n")
        await settle(pilot)
        assert len(feed.calls) == 1
        await pilot.press("s", "y")
        await settle(pilot)
        assert feed.calls[1:] == [("mark", "t01", ServiceMark.END, "keeper")]


async def test_a_line_for_the_care_log() -> None:
    app, feed, _ = make_app(make_room(2))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await pilot.press("enter", "l", *"thin", "enter")
        await settle(pilot)
        assert feed.calls == [("log", "t01", "note", "thin", "keeper")]
        assert on_top(app, tank_of(app))
        await pilot.press("l", "x", "escape")
        await settle(pilot)
        assert len(feed.calls) == 1


async def test_the_chart_is_saved_as_a_table(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    app, _, _ = make_app(make_room(2))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await pilot.press("enter")
        await settle(pilot)
        await pilot.press("e", "e")
        await settle(pilot)
        (path,) = tmp_path.iterdir()
        rows = list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
        assert len(rows) > 100
        assert {row["heater_share"] for row in rows} == {"0.300"}
        assert all(24.6 < float(row["water_low_c"]) < float(row["water_high_c"]) < 25.4 for row in rows)
        notes = [str(n.message) for n in app._notifications]
        assert any("Saved as" in n for n in notes)
        assert any("could not be saved" in n for n in notes), "a file that exists is left alone"


async def test_a_picture_to_hand_on_follows_the_umask(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    app, _, _ = make_app(make_room(2))
    old = os.umask(0o027)
    try:
        async with app.run_test(size=(80, 24)) as pilot:
            await settle(pilot)
            app.save_picture()
            await pilot.press("enter")
            await settle(pilot)
            await pilot.press("e")
            await settle(pilot)
    finally:
        os.umask(old)
    modes = {path.suffix: stat.S_IMODE(path.stat().st_mode) for path in tmp_path.iterdir()}
    assert modes == {".svg": 0o640, ".csv": 0o640}


async def test_without_a_watch_it_says_so_shows_history_and_how_to_start_one() -> None:
    app, _, _ = make_app(None)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        assert app.link.state is LinkState.ABSENT
        text = shown(app)
        assert "NO WATCH" in text
        assert "No watch is running" in text
        assert "tankwatch watch CONFIG" in text
        assert "?24.4" in text
        await pilot.press("enter")
        await settle(pilot)
        assert tank_of(app).fetched is not None
        assert "read 2 h ago" in shown(app)
        await pilot.press("s")
        await settle(pilot)
        assert on_top(app, tank_of(app)), "no work can be marked without a watch"
        await pilot.press("o")
        await settle(pilot)
        assert "No watch answers" in shown(app)


async def test_the_worst_is_chosen_once_the_watch_speaks_and_stays_where_the_keeper_went() -> None:
    app, _, _ = make_app(None, count=6)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        assert room_of(app).chosen == "t01"
        alarm = make_alarm(tank="t05")
        app.link.take(make_room(6, [alarm]))
        app.take_news()
        assert room_of(app).chosen == "t05"
        await pilot.press("down")
        went = room_of(app).chosen
        app.link.take(make_room(6, [replace(alarm, tank="t03")]))
        app.take_news()
        assert room_of(app).chosen == went != "t05"


async def test_without_watch_and_store_it_still_runs() -> None:
    app, _, _ = make_app(None, history=FakeHistory(broken=True))
    async with app.run_test(size=(60, 20)) as pilot:
        await settle(pilot)
        assert "no value" not in shown(app).splitlines()[0]
        await pilot.press("enter")
        await settle(pilot)
        assert "there is no store yet" in shown(app)
        await pilot.press("a", "v")
        await settle(pilot)
        assert "there is no store yet" in shown(app)


async def test_a_store_that_comes_later_is_found() -> None:
    history = FakeHistory(broken=True)
    app, feed, clock = make_app(make_room(2), history=history)
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        assert "no history yet" in shown(app)
        history.broken = False
        clock.advance(61)
        feed.pictures.put_nowait(make_room(2))
        await settle(pilot)
        assert "no history yet" not in shown(app)
        history.broken = True
        await pilot.press("enter")
        await settle(pilot)
        assert "there is no store yet" in shown(app)
        history.broken = False
        clock.advance(11)
        feed.pictures.put_nowait(make_room(2))
        await settle(pilot)
        assert "The last 24 h" in shown(app)


async def test_an_old_picture_is_told_and_a_new_one_heals_it() -> None:
    app, feed, clock = make_app(make_room(3))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        assert "All 3 tanks are quiet." in shown(app)
        clock.advance(30)
        app.tick()
        await settle(pilot)
        assert "PICTURE 30 s OLD" in shown(app)
        assert "Nothing here is known to be true now." in " ".join(shown(app).split())
        assert "?25.0" in shown(app)
        clock.advance(400)
        app.tick()
        await settle(pilot)
        assert "PICTURE 7 min OLD" in shown(app)
        feed.pictures.put_nowait(make_room(3))
        await settle(pilot)
        assert "All 3 tanks are quiet." in shown(app)
        assert "OLD" not in shown(app)


async def test_the_end_of_the_link_is_told_at_once() -> None:
    app, feed, _ = make_app(make_room(3))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        feed.pictures.put_nowait(None)
        await settle(pilot)
        assert app.link.state is LinkState.OLD
        assert "the watch has stopped" in shown(app)


async def test_an_unchanged_room_repaints_nothing() -> None:
    app, feed, clock = make_app(troubled_room())
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        before = {p.id or type(p).__name__: p.repaints for p in app.screen.query(Picture)}
        for second in range(1, 6):
            clock.advance(1)
            aged = [
                replace(t, values={k: replace(v, age_s=v.age_s + second) for k, v in t.values.items()})
                for t in troubled_room().tanks
            ]
            feed.pictures.put_nowait(replace(troubled_room(), time_s=NOW_S + second, tanks=tuple(aged)))
            await settle(pilot)
            app.tick()
        after = {p.id or type(p).__name__: p.repaints for p in app.screen.query(Picture)}
        assert after == before


async def test_slow_waits_unless_an_alarm_changes() -> None:
    app, feed, clock = make_app(make_room(2), slow=True)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)

        def warmer(water_c: float) -> None:
            clock.advance(1)
            feed.pictures.put_nowait(make_room(tanks=[make_tank(0, water_c), make_tank(1)]))

        warmer(25.6)
        await settle(pilot)
        assert "25.6" not in shown(app)
        clock.advance(4)
        warmer(25.8)
        await settle(pilot)
        assert "25.8" in shown(app)
        clock.advance(1)
        feed.pictures.put_nowait(make_room(2, [make_alarm(1, state=AlarmState.UNACKNOWLEDGED)]))
        await settle(pilot)
        assert "critical" in shown(app)


async def test_one_tank_opens_its_own_page_at_once() -> None:
    app, _, _ = make_app(make_room(1))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        assert on_top(app, tank_of(app))
        await pilot.press("escape")
        await settle(pilot)
        assert on_top(app, room_of(app))


async def test_f1_explains_each_page_and_its_keys() -> None:
    app, _, _ = make_app(troubled_room())
    async with app.run_test(size=(100, 40)) as pilot:
        await settle(pilot)
        for key in ("r", "enter", "c", "a", "g", "o", "h"):
            await pilot.press(key)
            await settle(pilot)
            page = app.screen
            assert isinstance(page, Page)
            await pilot.press("f1")
            await settle(pilot)
            assert isinstance(app.screen, HelpPage)
            words = " ".join(shown(app).split())
            assert (page.HELP or "").split(".")[0] in words
            assert "Close the screen; the watch goes on" in words
            assert "residual-current" in words
            await pilot.press("escape")
            await settle(pilot)
            assert on_top(app, page)


@pytest.mark.parametrize(
    ("size", "evil"),
    [
        *(((80, 24), evil) for evil in ("[/", "[0]", "魚" * 30)),
        *((size, EVIL) for size in ((60, 20), (120, 40))),
    ],
    ids=ascii,
)
async def test_foreign_words_do_no_harm_anywhere(size: tuple[int, int], evil: str) -> None:
    alarm = make_alarm(1, message=evil, who=evil, evidence={evil: evil}, state=AlarmState.ACKNOWLEDGED)
    lost = make_alarm(2, None, Condition.SOURCE_LOST, Priority.HIGH, message=evil, subject=evil)
    room = make_room(1, [alarm, lost], [make_tank(i, name=evil) for i in range(7)])
    source = replace(
        room.sources[0], source_id=evil, detail=evil, state=evil, refused={evil: 3}, last_refused=evil
    )
    app, _, _ = make_app(replace(room, room=evil, sources=(source,)))
    async with app.run_test(size=size) as pilot:
        await settle(pilot)
        care = ("c", "c", "escape", "f", "escape", "l", "escape", "s", "escape", "escape")
        pages = ("a", "s", "escape", "down", "g", "o", "h", "r", "slash", "left_square_bracket", "enter")
        for key in ("enter", "f1", "escape", *care, *pages):
            await pilot.press(key)
            await settle(pilot)
            assert "\x1b" not in shown(app)
        assert app.is_running


async def test_resizing_redraws_for_the_new_size() -> None:
    app, _, _ = make_app(troubled_room(12))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        narrow = room_of(app).query_one(WallPicture).lines
        await pilot.resize_terminal(200, 60)
        await settle(pilot)
        wide = room_of(app).query_one(WallPicture).lines
        assert len(wide) > len(narrow)
        assert any("\u2800" < c <= "\u28ff" for c in shown(app)), "with room, the last day is drawn"
        await pilot.resize_terminal(60, 20)
        await settle(pilot)
        assert "Long tank" in shown(app)


async def test_three_hundred_tanks_are_found_by_typing() -> None:
    app, _, _ = make_app(troubled_room(300))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await pilot.press("slash", *"shelf", "space", *"287")
        await settle(pilot)
        assert [s.key for s in room_of(app).query_one(WallPicture).spots] == ["t287"]
        await pilot.press("enter")
        await settle(pilot)
        assert tank_of(app).tank_id == "t287"


async def test_no_widget_comes_or_goes_while_pictures_come() -> None:
    app, feed, _ = make_app(troubled_room())
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        before = list(app.screen.walk_children())
        for i in range(3):
            feed.pictures.put_nowait(make_room(6, [make_alarm(i + 1)]) if i % 2 else troubled_room())
            await settle(pilot)
        assert list(app.screen.walk_children()) == before


async def test_the_palette_lists_what_this_program_does() -> None:
    app, _, _ = make_app(make_room(2))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        titles = [c.title for c in app.get_system_commands(app.screen)]
        assert titles[:8] == ["Room", "Alarms", "Night", "Sources", "Health", "Help", "Picture", "Quit"]
        shown_keys = {b.description for b in app.screen.BINDINGS if isinstance(b, Binding) and b.show}
        assert {title.lower() for title in titles[8:]} == shown_keys | {"export"}
        find = next(c for c in app.get_system_commands(app.screen) if c.title == "Find")
        find.callback()
        await settle(pilot)
        assert app.screen.query_one("#search").display


async def test_fakes_are_what_the_screen_asks_for() -> None:
    from tankwatch.control.client import ControlClient
    from tankwatch.screen.feed import History, LiveFeed
    from tankwatch.store.reader import StoreReader

    feeds: list[type[LiveFeed]] = [FakeFeed, ControlClient]
    histories: list[type[History]] = [FakeHistory, StoreReader]
    assert len(feeds) == len(histories) == 2


async def test_a_stretch_that_is_damaged_on_the_disk_is_told_beside_its_chart() -> None:
    for damaged in (False, True):
        app, _, _ = make_app(make_room(2), history=FakeHistory(damaged=damaged))
        async with app.run_test(size=(80, 24)) as pilot:
            await settle(pilot)
            await pilot.press("enter")
            await settle(pilot)
            text = app.screen.query_one("#readout", Picture).text
            assert text.startswith(" The last 24 h")
            assert ("damaged on the disk (health page)" in text) is damaged
