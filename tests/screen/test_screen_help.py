"""F1 explains what has the focus: a field, a dialog, or the page."""

import pytest
from screen_fakes import make_app, make_room, settle, troubled_room
from textual.pilot import Pilot
from textual.widgets import Input

from tankwatch.config import Config
from tankwatch.screen.app import TankwatchApp
from tankwatch.screen.away_dialog import AwayDialog
from tankwatch.screen.care.form_dialog import FormDialog
from tankwatch.screen.care.gill_dialog import GillDialog
from tankwatch.screen.explained import Explains
from tankwatch.screen.help_page import HelpPage
from tankwatch.screen.note_dialog import NoteDialog
from tankwatch.screen.picture import Picture
from tankwatch.screen.room_page import RoomPage
from tankwatch.screen.service_dialog import ServiceBegin

pytestmark = pytest.mark.asyncio


def flat(app: TankwatchApp) -> str:
    return " ".join(" ".join(p.text for p in app.screen.query(Picture)).split())


async def ask(app: TankwatchApp, pilot: Pilot[None]) -> str:
    """Press F1, return what is said, and go back."""
    before = app.screen
    await pilot.press("f1")
    await settle(pilot)
    assert isinstance(app.screen, HelpPage), f"{before} does not explain itself"
    words = flat(app)
    await pilot.press("escape")
    await settle(pilot)
    assert app.screen is before
    return words


@pytest.mark.parametrize("form", ["c", "d", "t", "f"])
async def test_every_field_of_every_form_explains_itself(form: str) -> None:
    app, _, _ = make_app(make_room(2))
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        await pilot.press("enter", "c")
        await settle(pilot)
        await pilot.press(form)
        await settle(pilot)
        dialog = app.screen
        assert isinstance(dialog, FormDialog)
        assert all(field.help for field in dialog.form.fields)
        first, last = dialog.form.fields[0], dialog.form.fields[-1]
        for field in (first, last):
            dialog.query_one(f"#field-{field.key}").focus()
            await settle(pilot)
            words = await ask(app, pilot)
            assert field.help in words
            assert "Write it into the care log" in words, "the keys of the dialog stand below"


async def test_a_question_mark_is_text_in_a_line_and_f1_is_help() -> None:
    app, _, _ = make_app(make_room(2))
    async with app.run_test(size=(100, 40)) as pilot:
        await settle(pilot)
        await pilot.press("enter", "l")
        await settle(pilot)
        assert isinstance(app.screen, NoteDialog)
        await pilot.press("question_mark")
        assert app.screen.query_one(Input).value == "?"
        assert "kept with the time" in await ask(app, pilot)


async def test_the_line_of_the_search_and_the_room_around_it_say_different_things() -> None:
    app, _, _ = make_app(make_room(4))
    async with app.run_test(size=(100, 40)) as pilot:
        await settle(pilot)
        assert isinstance(app.screen, RoomPage)
        assert "The sentence on top says what is worst" in await ask(app, pilot)
        await pilot.press("slash")
        await settle(pilot)
        assert "Type part of a tank's name" in await ask(app, pilot)
        await pilot.press("escape")
        await settle(pilot)
        assert "The sentence on top says what is worst" in await ask(app, pilot)


async def test_lines_of_a_dialog_and_dialogs_without_any() -> None:
    app, _, clock = make_app(troubled_room())
    async with app.run_test(size=(100, 40)) as pilot:
        await settle(pilot)
        await pilot.press("a", "s")
        await settle(pilot)
        assert isinstance(app.screen, AwayDialog)
        assert "so that whoever comes next knows" in await ask(app, pilot)
        await pilot.press("down")
        assert "more than 0 and at most" in await ask(app, pilot)
        await pilot.press("escape", "r", "enter", "s")
        await settle(pilot)
        assert isinstance(app.screen, ServiceBegin)
        assert "alarms that it explains are held back" in await ask(app, pilot)
        await pilot.press("escape")
        app.push_screen(GillDialog(clock))
        await settle(pilot)
        assert "gill cover" in await ask(app, pilot)


async def test_another_key_for_help_works_in_dialogs_and_stands_in_the_help() -> None:
    app, _, _ = make_app(make_room(2))
    app.config = app.config.model_copy(update={"keys": {"help": "f2"}})
    async with app.run_test(size=(100, 40)) as pilot:
        await settle(pilot)
        await pilot.press("enter", "s")
        await settle(pilot)
        before = app.screen
        assert isinstance(before, Explains)
        await pilot.press("f1")
        await settle(pilot)
        assert app.screen is before
        await pilot.press("f2")
        await settle(pilot)
        assert isinstance(app.screen, HelpPage)
        assert "f2" in flat(app).lower()


async def test_a_key_for_help_that_a_dialog_needs_is_refused() -> None:
    with pytest.raises(ValueError, match=r"'y' would mean both service_end\.yes and help"):
        Config.model_validate({"room": {"name": "x"}, "keys": {"help": "y", "tank.close_up": "z"}})
