"""The weeks behind a tank on the screen: the same figures as the review prints, in any width."""

from datetime import timedelta

import numpy as np
import pytest
from screen_fakes import NOW_S, make_app, make_config, make_room, settle

from tankwatch.errors import StoreError
from tankwatch.reading import Channel, Reading
from tankwatch.review.weeks import TankWeeks, review_weeks
from tankwatch.review.weeks_words import cells
from tankwatch.screen.app import TankwatchApp
from tankwatch.screen.ink import length, plain
from tankwatch.screen.night_page import NightPage
from tankwatch.screen.picture import Picture
from tankwatch.screen.weeks_page import WEEKS, WeeksPage, draw_weeks
from tankwatch.store.bulk import write_history
from tankwatch.store.reader import StoreReader


@pytest.fixture(scope="module")
def weeks(tmp_path_factory: pytest.TempPathFactory) -> TankWeeks:
    """A tank of which two weeks are known; its light is on for six hours a day."""
    path = tmp_path_factory.mktemp("weeks") / "tank.db"
    config = make_config(2)
    tank = config.tank[0].id
    times = np.arange(NOW_S - timedelta(days=15).total_seconds(), NOW_S, 600.0).tolist()
    readings = [Reading(tank, Channel.TEMPERATURE, t, 25.0 + 0.2 * np.sin(t / 2000)) for t in times]
    readings += [Reading(tank, Channel.LIGHT, t, float(t % 86_400 < 6 * 3600)) for t in times]
    write_history(path, readings)
    return review_weeks(config, StoreReader(path), WEEKS, NOW_S, [tank]).tanks[0]


@pytest.mark.parametrize("width", [40, 58, 79, 139])
def test_nothing_leaves_the_width_and_the_newest_week_is_there(weeks: TankWeeks, width: int) -> None:
    lines = draw_weeks(weeks, width)
    assert all(length(line) <= width for line in lines)
    text = "\n".join(plain(lines))
    assert weeks.weeks[-1].first_day.isoformat() in text
    row = next(line for line in plain(lines) if weeks.weeks[-1].first_day.isoformat() in line)
    assert tuple(row.split()) == cells(weeks.weeks[-1])[: len(row.split())]
    whole = len(row.split()) == len(cells(weeks.weeks[-1]))
    assert whole == (width > 75) == ("wider terminal" not in " ".join(text.split()))


@pytest.mark.asyncio
async def test_the_weeks_open_from_the_tank_and_from_the_night(weeks: TankWeeks) -> None:
    app, _, _ = make_app(make_room(2))
    asked: list[tuple[str, int, float]] = []

    def reader(tank_id: str, count: int, now_s: float) -> TankWeeks:
        asked.append((tank_id, count, now_s))
        return weeks

    app.weeks = reader
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        await pilot.press("enter", "w")
        await settle(pilot)
        assert isinstance(app.screen, WeeksPage)
        assert app.screen.weeks is weeks
        assert asked == [(app.screen.tank_id, WEEKS, NOW_S)]
        assert "heat-loss signature" in shown(app)
        await pilot.press("escape", "g")
        await settle(pilot)
        assert isinstance(app.screen, NightPage)
        await pilot.press("w")
        await settle(pilot)
        assert isinstance(app.screen, NightPage), "no night was read, so no tank is chosen"


@pytest.mark.asyncio
async def test_what_cannot_be_read_is_told() -> None:
    app, _, _ = make_app(make_room(2))
    async with app.run_test(size=(60, 20)) as pilot:
        await settle(pilot)
        app.open_weeks("t01")
        await settle(pilot)
        assert "no store to read the weeks from" in shown(app)
        await pilot.press("escape")

        def broken(tank_id: str, count: int, now_s: float) -> TankWeeks:
            raise StoreError("tank.db: there is no store yet")

        app.weeks = broken
        app.open_weeks("t01")
        await settle(pilot)
        assert "there is no store yet" in shown(app)


def shown(app: TankwatchApp) -> str:
    return " ".join(" ".join(p.text for p in app.screen.query(Picture)).split())
