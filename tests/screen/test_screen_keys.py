"""Every key has an id, a tooltip and a group, and every terminal can send it."""

import re

import pytest
from textual.binding import Binding

from tankwatch.alarms.model import Condition
from tankwatch.config_keys import DEFAULT_KEYS
from tankwatch.screen import advice, keys
from tankwatch.screen.alarms_page import AlarmsPage
from tankwatch.screen.app import TankwatchApp
from tankwatch.screen.away_dialog import AwayDialog
from tankwatch.screen.care.care_page import CarePage
from tankwatch.screen.care.choice import Choice
from tankwatch.screen.care.form_dialog import FormDialog
from tankwatch.screen.care.gill_dialog import GillDialog
from tankwatch.screen.care.lift_dialog import LiftDialog
from tankwatch.screen.first_run import FirstRun
from tankwatch.screen.health_page import HealthPage
from tankwatch.screen.heard_page import HeardPage
from tankwatch.screen.help_page import HelpPage
from tankwatch.screen.listen_dialog import ListenDialog
from tankwatch.screen.night_page import NightPage
from tankwatch.screen.note_dialog import NoteDialog
from tankwatch.screen.room_page import RoomPage
from tankwatch.screen.rooms.app import RoomsApp
from tankwatch.screen.rooms.page import RoomsPage
from tankwatch.screen.service_dialog import ServiceBegin, ServiceEnd
from tankwatch.screen.sources_page import SourcesPage
from tankwatch.screen.tank_page import TankPage
from tankwatch.screen.weeks_page import WeeksPage

PAGES = (
    TankwatchApp,
    RoomPage,
    TankPage,
    AlarmsPage,
    CarePage,
    NightPage,
    SourcesPage,
    HealthPage,
    HelpPage,
    RoomsApp,
    RoomsPage,
    NoteDialog,
    ServiceBegin,
    ServiceEnd,
    AwayDialog,
    FormDialog,
    Choice,
    GillDialog,
    LiftDialog,
    FirstRun,
    ListenDialog,
    HeardPage,
    WeeksPage,
)
EVERYWHERE = re.compile(
    r"^([a-zA-Z0-9]|f1|ctrl\+[a-z]|up|down|left|right|home|end|pageup|pagedown|enter|escape|space|backspace"
    r"|plus|minus|equals_sign|comma|full_stop|slash|question_mark)$"
)


def bindings() -> list[Binding]:
    return [b for page in PAGES for b in page.BINDINGS if isinstance(b, Binding)]


def test_each_page_takes_its_keys_from_one_place() -> None:
    assert sum(len(page.BINDINGS) for page in PAGES if "BINDINGS" in vars(page)) == len(bindings())
    assert len(bindings()) > 40


def test_ids_tooltips_and_groups() -> None:
    # Help is one binding that answers everywhere, under one id.
    ids = [b.id for b in bindings() if b is not keys.HELP] + [keys.HELP.id]
    assert None not in ids
    assert len(set(ids)) == len(ids)
    assert set(ids) == set(DEFAULT_KEYS), "the configuration knows every key, and no other"
    assert all(b.tooltip and b.group is not None and b.group.description for b in bindings())


@pytest.mark.parametrize("binding", bindings(), ids=lambda b: str(b.id))
def test_every_terminal_sends_it_and_something_answers(binding: Binding) -> None:
    assert all(EVERYWHERE.match(k) for k in binding.key.split(","))
    name = binding.action.removeprefix("app.").split("(")[0]
    assert any(hasattr(page, f"action_{name}") for page in PAGES)


def test_no_key_means_two_things_on_one_page() -> None:
    for group in (
        keys.ROOM,
        keys.TANK_PAGE,
        keys.CARE_PAGE,
        keys.ALARM_PAGE,
        keys.NIGHT_PAGE,
        keys.SOURCES_PAGE,
        keys.HEALTH_PAGE,
        keys.ROOMS_PAGE,
    ):
        pressed = [k for b in [*group, *keys.APP, *keys.ALL_ROOMS] for k in b.key.split(",")]
        assert len(set(pressed)) == len(pressed)


@pytest.mark.parametrize("condition", Condition)
def test_each_condition_says_what_to_look_at_first(condition: Condition) -> None:
    assert advice.look_first(condition)
    assert all(point.endswith((".", "?")) for point in advice.look_first(condition))


@pytest.mark.parametrize(
    "condition",
    [c for c in Condition if c.value.startswith("heater-") and c is not Condition.HEATER_DUTY_HIGH]
    + [Condition.POWER_LOSS, Condition.TOO_COLD, Condition.TOO_WARM],
)
def test_where_mains_are_handled_the_caution_is_shown(condition: Condition) -> None:
    assert advice.UNPLUG_FIRST in advice.cautions(condition)
    assert advice.ELECTRICIAN in advice.cautions(condition)
