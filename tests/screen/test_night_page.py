"""The night on the screen: a simulated night with a heater that sticks, stored, reviewed and played back."""

from datetime import datetime

import pytest
from screen_fakes import FakeHistory, make_app, make_room, settle
from textual.pilot import Pilot

from tankwatch.clock import ManualClock
from tankwatch.config import Config
from tankwatch.errors import StoreError
from tankwatch.reading import Channel, Reading
from tankwatch.review.review import RoomReview, review_room
from tankwatch.review.span import Span, last_night
from tankwatch.screen.app import TankwatchApp
from tankwatch.screen.bars import KeyLine
from tankwatch.screen.feed import Progress
from tankwatch.screen.ink import length, plain
from tankwatch.screen.night_page import SPEEDS_S, NightPage
from tankwatch.screen.nightdraw import draw_account, draw_ranking, draw_title, events_of, stops_of, water_at
from tankwatch.screen.picture import Picture
from tankwatch.simulate.room import RoomAir
from tankwatch.simulate.tank import Fault, FaultKind, TankSim, TankSpec
from tankwatch.store.bulk import write_history
from tankwatch.store.reader import StoreReader

BEGIN_S = 1_790_020_800.0  # 2026-09-21 20:00 UTC
STUCK_S = BEGIN_S + 2 * 3600.0
NOW_S = BEGIN_S + 13 * 3600.0


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> RoomReview:
    """Two tanks over one night; the heater of the second one sticks at 22:00 for four hours."""
    path = tmp_path_factory.mktemp("night") / "room.db"
    readings: list[Reading] = []
    begin_s = BEGIN_S - 22 * 3600.0
    stuck = Fault(FaultKind.STUCK_ON, STUCK_S, STUCK_S + 4 * 3600.0, 1.0)
    faults: dict[str, tuple[Fault, ...]] = {"t01": (), "t02": (stuck,)}
    for ident, own in faults.items():
        spec = TankSpec(ident, volume_l=100.0, noise_c=0.01, interval_s=60.0)
        air = RoomAir(mean_c=20.0, daily_k=0.5, weather_k=0.2, start_s=begin_s, days=3)
        sim = TankSim(spec, air, begin_s, seed=3, faults=own)
        while sim.time_s < BEGIN_S + 12 * 3600.0:
            sim.advance(sim.time_s + 60.0)
            water_c = sim.probe_c()
            assert water_c is not None
            readings.append(Reading(ident, Channel.TEMPERATURE, sim.time_s, water_c))
            readings.append(Reading(ident, Channel.HEATER, sim.time_s, float(sim.heater_on)))
    write_history(path, readings)
    config = Config.model_validate(
        {
            "room": {"name": "Trial room"},
            "store": {"path": path},
            "tank": [
                {"id": i, "volume_l": 100.0, "setpoint_c": 25.0, "heater_w": 150.0, "probe_interval_s": 60.0}
                for i in faults
            ],
        }
    )
    return review_room(config, StoreReader(path), last_night(NOW_S, config.room.zone), NOW_S)


def night_of(app: TankwatchApp) -> NightPage:
    page = app.pages["night"]
    assert isinstance(page, NightPage)
    return page


def shown(app: TankwatchApp) -> str:
    return " ".join(" ".join(p.text for p in app.screen.query(Picture)).split())


def app_with(review: RoomReview) -> tuple[TankwatchApp, list[Span], ManualClock]:
    app, _, clock = make_app(make_room(2))
    asked: list[Span] = []

    def reviewer(span: Span, now_s: float, progress: Progress) -> RoomReview:
        progress(1, 2)
        asked.append(span)
        return review

    app.review = reviewer
    return app, asked, clock


async def open_night(pilot: Pilot[None]) -> None:
    await settle(pilot)
    await pilot.press("g")
    await settle(pilot)


def test_the_worst_tank_stands_on_top_and_nothing_leaves_the_width(night: RoomReview) -> None:
    zone = Config.model_validate({"room": {"name": "x"}}).room.zone
    assert [t.tank.id for t in night.tanks] == ["t02", "t01"]
    for width in (40, 58, 79, 139):
        lines = [*draw_title(night, zone, width), *draw_ranking(night, 0, None, width)]
        lines += draw_account(night.tanks[0], zone, width)
        assert all(length(line) <= width for line in lines)
    text = "\n".join(plain(draw_ranking(night, 0, None, 100)))
    assert text.splitlines()[0].startswith("›▲ t02")
    assert "heater stuck on" in text
    assert "▲" not in text.splitlines()[1]


def test_events_tell_onset_and_turn_within_minutes_of_the_truth(night: RoomReview) -> None:
    events = events_of(night)
    onset = next(e for e in events if "onset" in e.text)
    assert onset.tank == "t02"
    assert abs(onset.time_s - STUCK_S) < 3600.0, "within one cycle: until then heat was due anyway"
    turn = next(e for e in events if "furthest off" in e.text)
    assert abs(turn.time_s - (STUCK_S + 4 * 3600.0)) < 900.0
    assert [e.time_s for e in events] == sorted(e.time_s for e in events)
    (stop,) = stops_of(night)
    assert stop.tank == "t02"


def test_water_at_a_time_and_where_it_was_furthest_off(night: RoomReview) -> None:
    worst = night.tanks[0]
    assert worst.water is not None
    furthest = water_at(worst, None)
    assert furthest is not None
    assert abs(furthest - worst.water.greatest_c) < 0.2
    early = water_at(worst, BEGIN_S + 600.0)
    assert early is not None
    assert abs(early - 25.0) < 0.6


@pytest.mark.asyncio
async def test_last_night_step_to_the_incident_and_play(night: RoomReview) -> None:
    app, asked, _ = app_with(night)
    async with app.run_test(size=(80, 24)) as pilot:
        await open_night(pilot)
        page = night_of(app)
        assert app.screen is page
        assert page.review is night
        assert asked[0].hours <= 12.0
        assert "1 tank needs a look, of 2." in shown(app)
        assert "heater stuck on" in shown(app)
        await pilot.press("i")
        await settle(pilot)
        assert page.at_s == stops_of(night)[0].time_s
        assert "onset of “water too warm for this tank: heater stuck on”" in shown(app)
        await pilot.press("home", "space")
        await settle(pilot)
        assert page.playing
        before = page.query_one("#ranking", Picture).text
        for _ in range(40):
            page.play_on()
        await settle(pilot)
        assert page.at_s == BEGIN_S + 40 * SPEEDS_S[page.speed]
        assert page.query_one("#ranking", Picture).text != before, "every tank's dot moves with the time"
        for _ in range(40):
            page.play_on()
        assert page.at_s == night.span.to_s
        assert not page.playing, "it stops at the end"
        await pilot.press("down")
        await settle(pilot)
        assert page.chosen == 1
        await pilot.press("enter")
        await settle(pilot)
        assert app.screen is app.pages["tank"]


@pytest.mark.asyncio
async def test_the_night_before_is_another_night_and_play_stops_when_one_leaves(night: RoomReview) -> None:
    app, asked, _ = app_with(night)
    async with app.run_test(size=(60, 20)) as pilot:
        await open_night(pilot)
        await pilot.press("comma")
        await settle(pilot)
        assert asked[1].to_s <= asked[0].from_s
        await pilot.press("full_stop", "full_stop")
        await settle(pilot)
        assert night_of(app).back(NOW_S) == 0
        await pilot.press("space", "r")
        await settle(pilot)
        assert not night_of(app).playing


@pytest.mark.asyncio
async def test_nothing_is_repainted_while_the_night_stands_still(night: RoomReview) -> None:
    app, asked, _ = app_with(night)
    async with app.run_test(size=(120, 40)) as pilot:
        await open_night(pilot)
        before = {p.id or "": p.repaints for p in app.screen.query(Picture)}
        for _ in range(3):
            night_of(app).refresh_view()
        assert {p.id or "": p.repaints for p in app.screen.query(Picture)} == before
        assert len(asked) == 1


@pytest.mark.asyncio
async def test_a_store_that_cannot_be_read_is_told() -> None:
    app, _, _ = make_app(make_room(2), history=FakeHistory(broken=True))

    def broken(span: Span, now_s: float, progress: Progress) -> RoomReview:
        raise StoreError("tank.db: there is no store yet")

    app.review = broken
    async with app.run_test(size=(60, 20)) as pilot:
        await open_night(pilot)
        assert "there is no store yet" in shown(app)
        await pilot.press("i", "space", "left", "enter", "down")
        await settle(pilot)
        assert app.screen is night_of(app)
    app, _, _ = make_app(make_room(2))
    async with app.run_test(size=(60, 20)) as pilot:
        await open_night(pilot)
        assert "no store to rebuild a night from" in shown(app)


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("local_hour", "begins"),
    [(20.5, "20 Sep 20:00"), (22.9, "20 Sep 20:00"), (24.5, "21 Sep 20:00"), (34.0, "21 Sep 20:00")],
)
async def test_in_the_evening_last_night_is_the_one_that_is_over(
    night: RoomReview, local_hour: float, begins: str
) -> None:
    app, _, _ = app_with(night)
    now_s = BEGIN_S + (local_hour - 21.0) * 3600.0  # BEGIN_S is 21:00 in the summer of Lisbon
    async with app.run_test(size=(80, 24)) as pilot:
        await open_night(pilot)
        page = night_of(app)
        span = page.span_of(now_s, page.back(now_s))
        assert datetime.fromtimestamp(span.from_s, app.zone).strftime("%d %b %H:%M") == begins
        assert "night before" in app.screen.query_one(KeyLine).text


@pytest.mark.asyncio
async def test_a_night_that_could_not_be_read_is_read_when_the_store_is_back(night: RoomReview) -> None:
    app, asked, clock = app_with(night)
    whole = app.review

    def away(span: Span, now_s: float, progress: Progress) -> RoomReview:
        raise StoreError("the server is away")

    app.review = away
    async with app.run_test(size=(80, 24)) as pilot:
        await open_night(pilot)
        assert "the server is away" in shown(app)
        app.review = whole
        clock.advance(14.0)
        night_of(app).refresh_view()
        await settle(pilot)
        assert not asked
        clock.advance(2.0)
        night_of(app).refresh_view()
        await settle(pilot)
        assert len(asked) == 1
        assert night_of(app).review is night


@pytest.mark.asyncio
async def test_the_page_follows_the_hours_of_the_configuration(night: RoomReview) -> None:
    app, _, _ = app_with(night)
    room = app.config.room.model_copy(update={"night": ("22:00", "06:30")})
    app.config = app.config.model_copy(update={"room": room})
    async with app.run_test() as pilot:
        await settle(pilot)
        page = night_of(app)
        last, before = page.span_of(NOW_S, 0), page.span_of(NOW_S, 1)
    assert datetime.fromtimestamp(last.from_s, app.zone).strftime("%H:%M") == "22:00"
    assert (last.hours, before.hours, last.from_s - before.from_s) == (8.5, 8.5, 86_400.0)
