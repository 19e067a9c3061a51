"""A whole visit played on the screen, and what the record says of it afterwards."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest
from screen_fakes import EVIL, NOW_S, FakeFeed, FakeHistory, make_app, make_room, make_tank, settle
from textual.pilot import Pilot
from textual.widgets import Input

from tankwatch.reading import ServiceMark
from tankwatch.screen.app import TankwatchApp
from tankwatch.screen.care.care_page import CarePage
from tankwatch.screen.care.form_dialog import FormDialog
from tankwatch.screen.care.gill_dialog import GillDialog
from tankwatch.screen.care.lift_dialog import LiftDialog
from tankwatch.screen.picture import Picture
from tankwatch.screen.service_dialog import ServiceBegin, ServiceEnd
from tankwatch.store.entry import LogEntry, StoredMark

pytestmark = pytest.mark.asyncio


@dataclass
class KeptHistory(FakeHistory):
    """A store that knows what the feed was told."""

    entries: list[LogEntry] = field(default_factory=list)
    kept_marks: list[StoredMark] = field(default_factory=list)

    def log(self, from_s: float, to_s: float, tank: str | None = None) -> list[LogEntry]:
        return [e for e in self.entries if from_s <= e.time_s <= to_s]

    def marks(self, from_s: float, to_s: float, tank: str | None = None) -> list[StoredMark]:
        return [m for m in self.kept_marks if from_s <= m.time_s <= to_s]


class KeepingFeed(FakeFeed):
    """A watch that keeps what it is told, a minute after another."""

    history: KeptHistory
    minute = 0

    async def log(self, tank: str | None, kind: str, text: str, who: str) -> None:
        await super().log(tank, kind, text, who)
        self.minute += 1
        self.history.entries.append(LogEntry(NOW_S - 3600 + 60 * self.minute, tank, kind, who, text))

    async def mark(self, tank: str, mark: ServiceMark, who: str) -> None:
        await super().mark(tank, mark, who)
        self.minute += 1
        self.history.kept_marks.append(StoredMark(tank, mark, NOW_S - 3600 + 60 * self.minute, who))


def visited() -> tuple[TankwatchApp, KeepingFeed, KeptHistory]:
    history = KeptHistory()
    app, fake, _ = make_app(make_room(2), history=history)
    feed = KeepingFeed(calls=fake.calls, pictures=fake.pictures)
    feed.history = history
    app.feed = feed
    app.link._feed = feed
    return app, feed, history


def shown(app: TankwatchApp) -> str:
    return "\n".join(p.text for p in app.screen.query(Picture))


def flat(app: TankwatchApp) -> str:
    return " ".join(shown(app).split())


def care_of(app: TankwatchApp) -> CarePage:
    page = app.pages["care"]
    assert isinstance(page, CarePage)
    return page


async def open_care(pilot: Pilot[None]) -> None:
    await settle(pilot)
    await pilot.press("enter")
    await settle(pilot)
    await pilot.press("c")
    await settle(pilot)


async def fill_in(app: TankwatchApp, pilot: Pilot[None], words: dict[str, str]) -> None:
    for key, text in words.items():
        app.screen.query_one(f"#field-{key}", Input).value = text
    await settle(pilot)


async def test_a_visit_from_service_start_to_service_end() -> None:
    app, feed, history = visited()
    async with app.run_test(size=(80, 24)) as pilot:
        await open_care(pilot)
        assert isinstance(app.screen, CarePage)
        assert "What is due" in shown(app)
        assert "no record of it yet" in shown(app)

        await pilot.press("s")
        await settle(pilot)
        assert isinstance(app.screen, ServiceBegin)
        assert "residual-current" in flat(app)
        await pilot.press("2")
        await settle(pilot)
        working = make_tank(0, service="water-out", service_since_s=NOW_S - 60)
        feed.pictures.put_nowait(make_room(tanks=[working, make_tank(1)]))
        await settle(pilot)
        assert "WATER OUT, for 1 min" in flat(app)
        assert "THE HEATER IS ON: unplug it now" in flat(app)

        await pilot.press("c")
        await settle(pilot)
        assert isinstance(app.screen, FormDialog)
        assert "the new water, in °C: still to be filled in" in flat(app)
        await pilot.press(*"24")
        await settle(pilot)
        assert app.screen.worked.entry is not None
        assert "mean weighted by mass" in flat(app)
        assert "Mains and water" in flat(app)
        await pilot.press("ctrl+s")
        await settle(pilot)
        assert feed.calls[-1][:3] == ("log", "t01", "plan")
        assert "of 24 °C into 25 °C" in str(feed.calls[-1][3])

        await pilot.press("d")
        await settle(pilot)
        assert app.screen.query_one("#field-new", Input).value == "36", (
            "the change says how much is to be filled"
        )
        await fill_in(app, pilot, {"label_ml": "5", "label_l": "40", "length": "80", "width": "40"})
        assert "without it fish would meet" in flat(app)
        await pilot.press("ctrl+s")
        await settle(pilot)
        assert isinstance(app.screen, LiftDialog)
        assert "Give 15 mL to the tank. No water yet." in flat(app)
        before = len(feed.calls)
        await pilot.press("enter")
        await settle(pilot)
        assert "Run in 16.0 L, no more." in flat(app)
        assert len(feed.calls) == before, "a dose alone is no lift"
        await pilot.press("enter")
        await settle(pilot)
        assert str(feed.calls[-1][3]) == "lift 1 of 3: 15 mL first, then 16.0 L; 15 mL given today"
        await pilot.press("enter", "enter", "enter", "enter")
        await settle(pilot)
        assert str(feed.calls[-1][3]) == "lift 3 of 3: 15 mL first, then 4.0 L; 45 mL given today"
        assert "All lifts are done" in flat(app)
        await pilot.press("enter")
        await settle(pilot)
        assert isinstance(app.screen, CarePage)
        assert feed.calls[-1][2:4] == ("change", "36.0 L of 24 °C, filled in 3 lifts")

        await pilot.press("t")
        await settle(pilot)
        await fill_in(app, pilot, {"ph": "7.4", "ammonia": "0.1", "nitrate": "20"})
        assert "Test kits err" in flat(app)
        assert "un-ionised" in flat(app)
        await pilot.press("ctrl+s")
        await settle(pilot)
        assert feed.calls[-1][2:4] == ("test", "t=25.0 ph=7.4 ammonia=0.1:N nitrate=20.0:NO3")

        await pilot.press("f")
        await settle(pilot)
        await fill_in(app, pilot, {"beats": "25", "seconds": "30", "fish": "10", "hiding": "1"})
        assert "exact Poisson interval" in flat(app)
        await pilot.press("ctrl+s")
        await settle(pilot)
        assert feed.calls[-1][2:4] == ("look", "gill=25/30.0s@25.0 hiding=1/10")

        await pilot.press("s")
        await settle(pilot)
        assert isinstance(app.screen, ServiceEnd)
        await pilot.press("y")
        await settle(pilot)
        assert feed.calls[-1] == ("mark", "t01", ServiceMark.END, "keeper")

        record = app.screen.query_one("#record", Picture).text
        told = [
            "the water level goes down",
            "36.0 L (30 %) of 24 °C into 25 °C",
            "lift 1 of 3: 15 mL first",
            "lift 3 of 3",
            "pH 7.4, ammonia 0.1 mg/L as N, nitrate 20 mg/L as NO3",
            "gill beats 50 a minute (32 to 74)",
            "1 of 10 hide",
            "the work is over",
        ]
        places = [" ".join(record.split()).find(words) for words in told]
        assert -1 not in places
        assert places == sorted(places), "the visit reads in its own order"
        assert "in 14 days" in shown(app) or "in 13 days" in shown(app)
        assert len(history.entries) == 7


async def test_nonsense_gets_a_clear_sentence_and_is_not_kept() -> None:
    app, feed, _ = visited()
    async with app.run_test(size=(80, 24)) as pilot:
        await open_care(pilot)
        cases: Sequence[tuple[str, dict[str, str], str]] = (
            ("c", {"new": EVIL}, "expected a number"),
            ("f", {"beats": "25"}, "gill beats in how many seconds?"),
        )
        for key, words, told in cases:
            await pilot.press(key)
            await settle(pilot)
            await fill_in(app, pilot, words)
            assert told in flat(app), (key, words)
            await pilot.press("ctrl+s")
            await settle(pilot)
            assert isinstance(app.screen, FormDialog), "it stays open"
            await pilot.press("escape")
            await settle(pilot)
        assert feed.calls == []


async def test_a_plan_keeps_to_the_limit_whatever_is_asked() -> None:
    app, feed, _ = visited()
    async with app.run_test(size=(80, 24)) as pilot:
        await open_care(pilot)
        await pilot.press("c")
        await settle(pilot)
        await fill_in(app, pilot, {"new": "12", "share": "50"})
        assert "50 % at once is too much" in flat(app)
        await pilot.press("ctrl+s")
        await settle(pilot)
        text = str(feed.calls[-1][3])
        assert float(text.removeprefix("planned: ").split(" L")[0]) < 0.13 * 120, text


async def test_gill_beats_are_counted_against_the_clock() -> None:
    app, _, _ = visited()
    clock = app.clock
    async with app.run_test(size=(80, 24)) as pilot:
        await open_care(pilot)
        await pilot.press("f", "ctrl+g")
        await settle(pilot)
        counter = app.screen
        assert isinstance(counter, GillDialog)
        await pilot.press("space")
        assert counter.beats == 0, "the first tap starts the clock"
        for _ in range(20):
            clock.advance(1.4)  # type: ignore[attr-defined]
            await pilot.press("space")
        assert counter.beats == 20
        assert abs(counter.seconds - 28.0) < 1e-6
        clock.advance(5)  # type: ignore[attr-defined]
        await pilot.press("space")
        assert counter.beats == 20, "the half minute is over"
        # Garwood (1936) for 20 counts: 12.217 to 30.888, here per half minute.
        assert "40 a minute; 24 to 62" in flat(app)
        await pilot.press("enter")
        await settle(pilot)
        assert isinstance(app.screen, FormDialog)
        assert app.screen.query_one("#field-beats", Input).value == "20"
        assert app.screen.query_one("#field-seconds", Input).value == "30"
        assert app.screen.worked.entry is not None
        assert app.screen.worked.entry.text == "gill=20/30.0s@25.0"


async def test_a_short_count_is_not_taken_and_can_begin_anew() -> None:
    app, _, _ = visited()
    async with app.run_test(size=(80, 24)) as pilot:
        await open_care(pilot)
        await pilot.press("f", "ctrl+g", "space", "space", "enter")
        await settle(pilot)
        counter = app.screen
        assert isinstance(counter, GillDialog)
        await pilot.press("backspace")
        assert (counter.beats, counter.seconds) == (0, 0.0)
        await pilot.press("escape")
        await settle(pilot)
        assert isinstance(app.screen, FormDialog)


async def test_choices_turn_and_hide_what_is_not_asked() -> None:
    app, _, _ = visited()
    async with app.run_test(size=(80, 24)) as pilot:
        await open_care(pilot)
        await pilot.press("d")
        await settle(pilot)
        assert app.screen.query_one("#row-length").display
        app.screen.query_one("#field-into").focus()
        await pilot.press("right")
        await settle(pilot)
        assert not app.screen.query_one("#row-length").display
        await pilot.press("down", "left")
        await settle(pilot)
        assert not app.screen.query_one("#row-label_ml").display
        assert app.screen.query_one("#row-purity").display
        await fill_in(app, pilot, {"new": "20"})
        assert "no more than planned" in flat(app) or "litres x chlorine x mg per mg" in flat(app)


async def test_a_task_is_ticked_off_with_a_line() -> None:
    app, feed, _ = visited()
    async with app.run_test(size=(80, 24)) as pilot:
        await open_care(pilot)
        page = care_of(app)
        index = next(i for i, d in enumerate(page._due) if d.task.key == "filter")
        await pilot.press(*["down"] * index)
        await pilot.press("enter", *"ok", "enter")
        await settle(pilot)
        assert feed.calls == [("log", "t01", "filter", "ok", "keeper")]
        assert "rinse the filter      in 41 days" in shown(app)
        await pilot.press("escape")
        await settle(pilot)
        assert app.screen is app.pages["tank"]


async def test_the_sheet_of_a_visit_is_saved(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    app, _, _ = visited()
    async with app.run_test(size=(80, 24)) as pilot:
        await open_care(pilot)
        await pilot.press("e")
        await settle(pilot)
        lines = (tmp_path / "t01-visit.txt").read_text(encoding="utf-8").splitlines()
        assert lines[0] == "Long tank"
        assert "[ ] check the heater: never done" in lines
        assert any("residual-current" in line for line in lines)
        assert all(len(line) <= 56 for line in lines)


async def test_the_care_page_stands_still_while_nothing_changes() -> None:
    app, feed, _ = visited()
    clock = app.clock
    async with app.run_test(size=(120, 40)) as pilot:
        await open_care(pilot)
        before = {p.id or type(p).__name__: p.repaints for p in app.screen.query(Picture)}
        for second in range(1, 4):
            clock.advance(1)  # type: ignore[attr-defined]
            feed.pictures.put_nowait(replace(make_room(2), time_s=NOW_S + second))
            await settle(pilot)
            app.tick()
        assert {p.id or type(p).__name__: p.repaints for p in app.screen.query(Picture)} == before


async def test_a_click_chooses_a_task() -> None:
    app, _, _ = visited()
    async with app.run_test(size=(80, 24)) as pilot:
        await open_care(pilot)
        page = care_of(app)
        index = next(i for i, d in enumerate(page._due) if d.task.key == "glass")
        rows = page.query_one("#routine", Picture).text.splitlines()
        row = next(i for i, text in enumerate(rows) if "clean the glass" in text)
        await pilot.click("#routine", offset=(5, row))
        await settle(pilot)
        assert page.chosen == index
        await pilot.press("escape")
        await settle(pilot)
        assert app.screen is app.pages["tank"]


async def test_a_refused_entry_is_told_and_a_broken_store_too() -> None:
    app, feed, _ = visited()
    feed.refuse = "the store is full [/red]"
    async with app.run_test(size=(60, 20)) as pilot:
        await open_care(pilot)
        await pilot.press("l", *"thin", "enter")
        await settle(pilot)
        assert any("did not take it" in str(n.message) for n in app._notifications)
    app, _, _ = make_app(make_room(2), history=FakeHistory(broken=True))
    async with app.run_test(size=(60, 20)) as pilot:
        await open_care(pilot)
        assert "there is no store yet" in flat(app)
        await pilot.press("f")
        await settle(pilot)
        assert isinstance(app.screen, FormDialog), "sums are done without a record as well"


async def test_a_change_to_the_limit_can_be_filled_whole_in_lifts() -> None:
    app, _, _ = visited()
    async with app.run_test(size=(80, 24)) as pilot:
        await open_care(pilot)
        await pilot.press("c")
        await settle(pilot)
        await fill_in(app, pilot, {"new": "18", "share": "50"})
        await pilot.press("ctrl+s")
        await settle(pilot)
        await pilot.press("d")
        await settle(pilot)
        assert isinstance(app.screen, FormDialog)
        assert app.screen.query_one("#field-new_c", Input).value == "18"
        await fill_in(app, pilot, {"label_ml": "5", "label_l": "40", "length": "80", "width": "40"})
        lifts = app.screen.worked.lifts
        assert [lift.number for lift in lifts] == [1, 2]
        assert lifts[-1].water_c is not None
        assert 25.0 - lifts[-1].water_c <= 1.5
