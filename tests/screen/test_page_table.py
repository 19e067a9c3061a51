"""Tables of the pages: read back by the standard library's CSV reader, and harmless to a spreadsheet."""

import csv
from pathlib import Path

import pytest
from screen_fakes import EVIL, make_alarm, make_app, make_room, settle, troubled_room

from tankwatch.alarms.model import AlarmState
from tankwatch.screen.page_table import PageTable, alarm_table

_FORMULAS = ("=1+1", "+1", "-1+1", "@SUM(A1)", "\t=1", "\r=1")


def test_text_from_outside_is_no_formula_and_holds_no_control_character() -> None:
    table = PageTable(("name", "number"), tuple((text, -1.5) for text in (*_FORMULAS, EVIL)))
    rows = list(csv.reader(table.csv().splitlines()))
    assert rows[0] == ["name", "number"]
    assert len(rows) == len(_FORMULAS) + 2
    for name, number in rows[1:]:
        assert not name.startswith(("=", "+", "-", "@", "\t", "\r"))
        assert name.isprintable()
        assert number == "-1.5", "a number stays one"


def test_alarms_keep_their_order_and_their_times_are_utc() -> None:
    alarms = [make_alarm(alarm_id=i, since_s=1_790_000_000.0 + i) for i in (2, 1)]
    header, *rows = csv.reader(alarm_table(alarms).csv().splitlines())
    assert [row[0] for row in rows] == ["2", "1"]
    assert rows[0][header.index("since")] == "2026-09-21T14:13:22Z"
    assert rows[0][header.index("state")] == AlarmState.UNACKNOWLEDGED.value


@pytest.mark.asyncio
@pytest.mark.parametrize("page", ["r", "a", "o"])
async def test_a_page_saves_what_it_shows(page: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    room = troubled_room(6)
    app, _, _ = make_app(room)
    async with app.run_test(size=(100, 30)) as pilot:
        await settle(pilot)
        await pilot.press(page)
        await settle(pilot)
        await pilot.press("e")
        await settle(pilot)
    (path,) = tmp_path.glob("*.csv")
    with path.open(newline="", encoding="utf-8") as file:
        header, *rows = csv.reader(file)
    expected = {"r": len(room.tanks), "a": len(room.alarms), "o": len(room.sources)}[page]
    assert len(rows) >= expected > 0
    assert all(len(row) == len(header) for row in rows)


@pytest.mark.asyncio
async def test_where_there_is_nothing_no_file_is_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    app, _, _ = make_app(make_room(2))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await pilot.press("a", "e", "g", "e", "h")
        await settle(pilot)
    assert not list(tmp_path.iterdir())
