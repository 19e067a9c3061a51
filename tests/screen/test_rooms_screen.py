"""The screen of all rooms: what it says of each, and what may be done from it."""

import csv
import sys
from collections.abc import Callable
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path

import pytest
from screen_fakes import EVIL, FakeHistory, settle
from test_snapshots import DRAWN_WITH, SIZES, Compare, pressing

sys.path.insert(0, str(Path(__file__).parent.parent / "rooms"))

from rooms_data import NOW_S, Ear, beat, make_alarm, make_changes, make_room, make_tank, will
from textual.pilot import Pilot

from tankwatch.alarms.model import AlarmState, Condition, Priority
from tankwatch.config import Config
from tankwatch.errors import ControlError
from tankwatch.rooms.heard import Word
from tankwatch.rooms.hub import Refusals
from tankwatch.screen.ink import plain
from tankwatch.screen.picture import Picture
from tankwatch.screen.rooms.app import RoomsApp
from tankwatch.screen.rooms.draw import draw_chosen, draw_refused, draw_rooms, draw_sentence
from tankwatch.screen.rooms.feed import NoHistory, RoomFeed
from tankwatch.screen.rooms.page import RoomsPage
from tankwatch.screen.rooms.standing import RoomStanding, sentence_of_rooms, standing_of, worst_first
from tankwatch.screen.standing import view_of
from tankwatch.screen.steady import Steady
from tankwatch.snapshot import RoomSnapshot, SourceSnapshot


class FakeEar:
    """A broker that is there or not, and takes acknowledgements."""

    def __init__(self, ear: Ear) -> None:
        self.ear = ear
        self.state = "connected"
        self.detail = ""
        self.sent: list[tuple[str, int, str]] = []
        self.refuse = ""

    def health(self) -> SourceSnapshot:
        return SourceSnapshot("[centre]", "centre", self.state, self.detail, restarts=1)

    def acknowledge(self, room_id: str, alarm_id: int, who: str) -> None:
        if self.refuse:
            raise ControlError(self.refuse)
        self.sent.append((room_id, alarm_id, who))


ROOMS = {
    "back-room": make_room(room="Back room"),
    "cellar": make_room(
        [make_tank(1, 23.4), make_tank(2)], [make_alarm(1)], room="Cellar", timezone="Europe/Lisbon"
    ),
    "nursery": make_room(
        [make_tank(n) for n in range(1, 31)],
        [
            make_alarm(
                1,
                "t03",
                condition=Condition.LIGHT_OVERRUN,
                priority=Priority.MEDIUM,
                state=AlarmState.ACKNOWLEDGED,
                margin_min=None,
            )
        ],
        room="Nursery",
    ),
}


def _heard(rooms: dict[str, RoomSnapshot] | None = None) -> Ear:
    ear = Ear()
    for room_id, room in (ROOMS if rooms is None else rooms).items():
        ear.room = room_id
        ear.hear("online", beat(100.0, time_s=NOW_S))
        ear.hear_all(make_changes().look(room, 100.0))
    return ear


def _app(ear: Ear) -> tuple[RoomsApp, FakeEar]:
    config = Config.model_validate({"room": {"name": "Centre"}, "centre": {}})
    sender = FakeEar(ear)
    return RoomsApp(config, ear.hub, sender, ear.clock, who="kim"), sender


def _standings(ear: Ear) -> list[RoomStanding]:
    found = []
    for status in ear.hub.statuses():
        snapshot = ear.hub.snapshot(status.room_id)
        view = None if snapshot is None else view_of(snapshot, live=status.word is Word.ONLINE)
        found.append(standing_of(status, view))
    return worst_first(found)


def _text(app: RoomsApp, query: str) -> str:
    """Return what a part shows, with its lines joined."""
    return " ".join(app.screen.query_one(query, Picture).text.split())


class TestWhatIsSaid:
    def test_rooms_stand_worst_first_with_what_is_wrong(self) -> None:
        rooms = _standings(_heard())
        assert [room.room_id for room in rooms] == ["cellar", "nursery", "back-room"]
        text = plain(draw_rooms(rooms, "nursery", 120))
        assert text[0].split() == ["room", "watch", "tanks", "new", "oldest", "worst"]
        assert text[1].startswith("  ◆ Cellar ")
        assert "online           2    1     now  Shelf 1: heater no heat, 38 min to low limit" in text[1]
        assert text[2].startswith("› ○ Nursery")  # hollow: someone has acknowledged it
        assert text[3].rstrip().endswith("quiet")

    def test_the_sentence_names_the_worst_and_counts_the_rest(self) -> None:
        text, role = sentence_of_rooms(_standings(_heard()))
        assert role == "critical"
        assert text == (
            "Cellar: Shelf 1: heater no heat, 38 min to low limit. 1 more room needs a look. "
            "1 of 3 rooms quiet."
        )

    def test_quiet_rooms_are_grey_and_say_so(self) -> None:
        rooms = _standings(_heard({"a": make_room(room="A"), "b": make_room(room="B")}))
        assert sentence_of_rooms(rooms) == ("All 2 rooms are quiet: 4 tanks.", "text")
        roles = {run.role for line in draw_rooms(rooms, "a", 80) for run in line}
        assert roles <= {"text", "label", "faint", "bright"}
        assert sentence_of_rooms([])[0].startswith("No room has been heard yet.")

    @pytest.mark.parametrize(
        ("document", "wait_s", "word", "said"),
        [
            (None, 200.0, "silent", "no sign of life, last heard 3 min ago"),
            (will(), 0.0, "signed off", "its watch lost the broker, last heard just now"),
            (beat(101.0, state="stopped"), 0.0, "stopped", "its watch was stopped, last heard just now"),
        ],
    )
    def test_a_room_that_is_not_heard_is_an_alarm(
        self, document: bytes | None, wait_s: float, word: str, said: str
    ) -> None:
        ear = _heard({"back-room": make_room()})
        if document is not None:
            ear.hear("online", document)
        ear.clock.advance(wait_s)
        (room,) = _standings(ear)
        row = plain(draw_rooms([room], "", 120))[1]
        assert row.startswith("  ▲ Back room")
        assert word in row
        assert said in row
        text, role = sentence_of_rooms([room])
        assert role == "high"
        assert "Nobody here knows whether its tanks are watched" in text
        assert "as last known" in plain(draw_chosen(room, 80, 10, Steady()))[1]

    def test_what_was_wrong_before_it_fell_silent_is_still_told(self) -> None:
        ear = _heard({"cellar": ROOMS["cellar"]})
        ear.clock.advance(200.0)
        (room,) = _standings(ear)
        assert "before that: Shelf 1: heater no heat" in sentence_of_rooms([room])[0]

    def test_a_room_known_from_the_brokers_memory_only_is_waited_for(self) -> None:
        ear = Ear()
        ear.hear_all(make_changes().look(make_room(), 100.0), retained=True)
        (room,) = _standings(ear)
        assert (room.shape, room.role) == ("?", "stale")
        assert sentence_of_rooms([room]) == ("Listening: 1 of 1 room not heard yet.", "stale")

    def test_names_from_outside_are_plain_text(self) -> None:
        tank = make_tank(1, name=EVIL)
        rooms = _standings(_heard({"x": make_room([tank], [make_alarm()], room=EVIL)}))
        lines = [*draw_rooms(rooms, "", 120), *draw_sentence(rooms, "", 120)]
        assert not any("\x1b" in text for text in plain(lines))
        assert "[/red][0]" in "".join(plain(lines))

    def test_tanks_beyond_the_bound_are_told(self) -> None:
        ear = _heard({"hall": make_room([make_tank(n) for n in range(1, 2004)], room="Hall")})
        (room,) = _standings(ear)
        assert room.status.tanks == 2003
        assert "tanks, 3 more are not shown ─" in plain(draw_chosen(room, 80, 10, Steady()))[1]

    def test_what_was_not_taken_is_told(self) -> None:
        assert draw_refused(Refusals(), 80) == []
        (line,) = plain(draw_refused(Refusals(2, "tankwatch/1/x/state: no JSON", 5), 120))
        assert "5 messages of rooms beyond the limit; 2 documents refused" in line


@pytest.mark.asyncio
@pytest.mark.parametrize("size", [(80, 24), (120, 40), (60, 20)])
async def test_a_room_is_opened_looked_at_and_left(size: tuple[int, int]) -> None:
    app, _ = _app(_heard())
    async with app.run_test(size=size) as pilot:
        await settle(pilot)
        assert isinstance(app.screen, RoomsPage)
        assert "Cellar: Shelf 1: heater no heat" in _text(app, "#summary")
        assert "The heater draws power but the water falls." in _text(app, "#chosen-room")
        await pilot.press("enter")
        await settle(pilot)
        assert app.screen.NAME == "room"
        assert "Shelf 1" in _text(app, "#wall")
        assert app.zone.key == "Europe/Lisbon"
        await pilot.press("enter")
        await settle(pilot)
        assert "23.40" in _text(app, "#head")
        assert "No history here" in _text(app, "#readout")
        await pilot.press("a")
        await settle(pilot)
        assert "Shelf 1" in _text(app, "#list")
        await pilot.press("o")
        await settle(pilot)
        assert "broker" in _text(app, "#sources")
        await pilot.press("h")  # the health of a program elsewhere is not shown here
        await settle(pilot)
        assert app.screen.NAME == "sources"
        await pilot.press("escape")
        await settle(pilot)
        await pilot.press("escape")
        await settle(pilot)
        assert isinstance(app.screen, RoomsPage)


@pytest.mark.asyncio
async def test_with_a_central_store_a_tank_shows_the_history_of_its_own_room() -> None:
    ear, asked = _heard(), list[str]()
    history = FakeHistory()

    def history_of(room_id: str) -> FakeHistory:
        asked.append(room_id)
        return history

    config = Config.model_validate({"room": {"name": "Centre"}, "centre": {}})
    app = RoomsApp(config, ear.hub, FakeEar(ear), ear.clock, history_of=history_of, who="kim")
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        await pilot.press("enter")
        await settle(pilot)
        await pilot.press("enter")
        await settle(pilot)
        assert asked == ["cellar"]
        assert "t01" in {tank for tank, *_ in history.asked}
        assert "No history here" not in _text(app, "#readout")


@pytest.mark.asyncio
async def test_another_room_begins_afresh_and_the_same_one_where_it_was() -> None:
    app, _ = _app(_heard())
    async with app.run_test(size=(100, 30)) as pilot:
        await settle(pilot)
        app.open_room("nursery")
        await settle(pilot)
        await pilot.press("down", "enter")
        await settle(pilot)
        page = app.pages["tank"]
        assert page.tank_id == "t01" or page.tank_id  # type: ignore[attr-defined]
        await pilot.press("u")
        await settle(pilot)
        app.open_room("back-room")
        await settle(pilot)
        assert app.pages["tank"] is not page
        assert app.pages["tank"].tank_id == ""  # type: ignore[attr-defined]
        assert [s.name for s in app.view.tanks] == ["Shelf 1", "Shelf 2"]
        room_page = app.pages["room"]
        await pilot.press("u")
        await settle(pilot)
        app.open_room("back-room")
        await settle(pilot)
        assert app.pages["room"] is room_page


@pytest.mark.asyncio
async def test_acknowledging_waits_for_the_room_to_say_so() -> None:
    ear = _heard({"cellar": ROOMS["cellar"]})
    app, sender = _app(ear)
    async with app.run_test(size=(100, 30)) as pilot:
        await settle(pilot)
        await pilot.press("enter")
        await settle(pilot)
        await pilot.press("k")
        await _until(pilot, lambda: bool(sender.sent))
        assert sender.sent == [("cellar", 1, "kim")]
        assert not app._notifications
        seen = replace(
            ROOMS["cellar"], alarms=(make_alarm(1, state=AlarmState.ACKNOWLEDGED, who="kim (centre)"),)
        )
        ear.hear_all(make_changes().look(seen, 101.0))
        await _until(pilot, lambda: len(app._notifications) == 1)
        assert "Acknowledged 1 alarm." in next(iter(app._notifications)).message


@pytest.mark.asyncio
async def test_an_acknowledgement_that_is_not_permitted_says_why() -> None:
    app, sender = _app(_heard({"cellar": ROOMS["cellar"]}))
    sender.refuse = "the room has not permitted it here"
    async with app.run_test(size=(100, 30)) as pilot:
        await settle(pilot)
        await pilot.press("enter", "k")
        await _until(pilot, lambda: len(app._notifications) == 1)
        assert "has not permitted it" in next(iter(app._notifications)).message


@pytest.mark.asyncio
async def test_what_is_not_for_afar_is_refused_in_words() -> None:
    app, _ = _app(_heard({"cellar": ROOMS["cellar"]}))
    async with app.run_test(size=(100, 30)) as pilot:
        await settle(pilot)
        await pilot.press("enter", "enter")
        await settle(pilot)
        for key in ("s", "c"):
            await pilot.press(key)
            await settle(pilot)
        assert [n.message for n in app._notifications] == [
            "That is done on the room's own screen; from here alarms can be acknowledged."
        ] * 2
    feed = RoomFeed("cellar", _heard().hub, FakeEar(_heard()))
    with pytest.raises(ControlError, match="own screen"):
        await feed.shelve(1, 10.0, "why", "kim")


@pytest.mark.asyncio
async def test_a_room_that_falls_silent_while_it_is_looked_at_is_an_old_picture() -> None:
    ear = _heard({"back-room": make_room()})
    app, _ = _app(ear)
    async with app.run_test(size=(100, 30)) as pilot:
        await settle(pilot)
        await pilot.press("enter")
        await settle(pilot)
        assert "All 2 tanks are quiet" in _text(app, "#summary")
        ear.clock.advance(200.0)
        await _until(pilot, lambda: "picture is old" in _text(app, "#summary"))
        assert "no sign of life" in _text(app, "#summary")
        assert "PICTURE 3 min OLD" in _text(app, "TopBar")


@pytest.mark.asyncio
async def test_a_broker_that_is_away_is_one_trouble_and_not_one_of_each_room() -> None:
    ear = _heard()
    app, sender = _app(ear)
    async with app.run_test(size=(100, 30)) as pilot:
        await settle(pilot)
        sender.state, sender.detail = "lost", "127.0.0.1:1: connection refused; is the broker running?"
        ear.clock.advance(600.0)
        app.tick()
        await settle(pilot)
        said = _text(app, "#summary")
        assert "No room is heard: nothing here is known to be true now." in said
        assert "connection refused" in said
        assert "silent" not in _text(app, "#rooms")
        assert "10 min OLD" in _text(app, "TopBar")


@pytest.mark.asyncio
async def test_the_rooms_are_saved_as_a_table_and_the_palette_knows_what_there_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    app, _ = _app(_heard())
    async with app.run_test(size=(100, 30)) as pilot:
        await settle(pilot)
        await pilot.press("e")
        await settle(pilot)
        titles = {command.title for command in app.get_system_commands(app.screen)}
        assert {"All rooms", "Open", "Export", "Help"} <= titles
        assert not titles & {"Night", "Health", "Room"}
        await pilot.press("enter")
        await settle(pilot)
        titles = {command.title for command in app.get_system_commands(app.screen)}
        assert {"All rooms", "Room", "Alarms", "Sources", "Acknowledge"} <= titles
        assert not titles & {"Night", "Health"}
    (path,) = tmp_path.glob("rooms-*.csv")
    with path.open(newline="", encoding="utf-8") as file:
        header, *rows = csv.reader(file)
    assert [row[0] for row in rows] == ["cellar", "nursery", "back-room"]
    assert rows[0][header.index("watch")] == "online"
    assert rows[0][header.index("worst")] == "Shelf 1: heater no heat, 38 min to low limit"


@pytest.mark.asyncio
async def test_many_rooms_can_be_walked_through() -> None:
    ear = _heard({f"room-{n:03}": make_room([make_tank(1)], room=f"Room {n:03}") for n in range(60)})
    app, _ = _app(ear)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await pilot.press(*["pagedown"] * 5)
        await pilot.press(*["down"] * 12)
        await settle(pilot)
        page = app.screen
        assert isinstance(page, RoomsPage)
        assert page.chosen == "room-059"
        listing = page.query_one("#rooms", Picture)
        assert listing.scroll_offset.y + listing.size.height >= 61
        await pilot.press("enter")
        await settle(pilot)
        assert app.view.room == "Room 059"


@pytest.mark.asyncio
async def test_a_quiet_hour_repaints_nothing() -> None:
    ear = _heard({"a": make_room(room="A"), "b": make_room(room="B")})
    app, _ = _app(ear)
    async with app.run_test(size=(100, 30)) as pilot:
        await settle(pilot)
        before = {picture: picture.repaints for picture in app.screen.query(Picture)}
        for second in range(1, 60):
            ear.clock.advance(1.0)
            if second % 20 == 0:
                for room in ("a", "b"):
                    ear.room = room
                    ear.hear("online", beat(100.0 + second, time_s=NOW_S + second))
            app.tick()
        await settle(pilot)
        assert {picture: picture.repaints for picture in before} == before


@pytest.mark.skipif(
    version("textual") != DRAWN_WITH, reason=f"the pictures were made with Textual {DRAWN_WITH}"
)
@pytest.mark.parametrize("size", ["80x24", "120x40"])
def test_the_page_of_all_rooms_looks_as_it_did(snap_compare: Compare, size: str) -> None:
    ear = _heard(ROOMS | {"old-store": make_room(room="Old store"), "annexe": make_room(room="Annexe")})
    ear.room = "old-store"
    ear.hear("online", will())
    ear.room = "upper-floor"
    ear.hear_all(make_changes().look(make_room(room="Upper floor"), 100.0), retained=True)
    app, _ = _app(ear)
    assert snap_compare(app, terminal_size=SIZES[size], run_before=pressing())


def test_a_room_without_a_store_here_says_so() -> None:
    history = NoHistory()
    assert history.last_values() == {}
    with pytest.raises(Exception, match="keeps it in its own store"):
        history.steps(0.0, 1.0)


async def _until(pilot: Pilot[None], is_so: Callable[[], bool]) -> None:
    for _ in range(300):
        if is_so():
            return
        await pilot.pause(0.02)
    pytest.fail("it did not come about")
