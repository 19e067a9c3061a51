"""The probes on the page of the sources: a sick one is found without looking for it."""

from dataclasses import replace

import pytest
from screen_fakes import EVIL, NOW_S, make_alarm, make_app, make_config, make_room, make_tank, settle

from tankwatch.alarms.model import AlarmState, Condition, Priority
from tankwatch.config import Config
from tankwatch.screen.ink import length, plain
from tankwatch.screen.picture import Picture
from tankwatch.screen.probes import draw_sick, draw_well, probes_of
from tankwatch.screen.standing import view_of
from tankwatch.snapshot import LiveValue

NO_TANKS = Config.model_validate({"room": {"name": "Centre"}})


def _frozen(tank: str, state: AlarmState = AlarmState.UNACKNOWLEDGED) -> object:
    return make_alarm(7, tank, Condition.PROBE_FROZEN, Priority.MEDIUM, state)


def test_the_sick_stand_first_with_what_is_wrong() -> None:
    silent = make_tank(2, values={"temperature": LiveValue(24.0, NOW_S - 1300, 1300.0, stale=True)})
    kept = make_tank(3, values={"temperature": LiveValue(24.0, NOW_S, 1.0, retained=True)})
    room = make_room(tanks=[make_tank(0), make_tank(1), silent, kept])
    room = replace(room, alarms=(_frozen("t02"),))  # type: ignore[arg-type]
    probes = probes_of(view_of(room), NO_TANKS)
    assert [(probe.tank, probe.trouble) for probe in probes[:3]] == [
        ("Driftwood", "probe frozen"),
        ("Nursery", "no fresh reading"),
        ("Fern wall", "of unknown age"),
    ]
    assert not any(probe.trouble for probe in probes[3:])
    sick = plain(draw_sick(probes, 80))
    assert sick[0].rstrip() == " ▲ 3 of 8 probes want a look"
    assert "Nursery" in sick[2]
    assert "21 min ago" in sick[2]


def test_a_probe_that_never_spoke_is_sick_and_its_source_is_named() -> None:
    config = make_config(1).model_dump(mode="json", exclude_none=True)
    config["source"] = [{"id": "bench", "kind": "serial", "port": "/dev/probe"}]
    config["tank"][0]["channel"] = [
        {"kind": "temperature", "source": "bench"},
        {"kind": "air", "source": "bench"},
    ]
    room = make_room(tanks=[make_tank(0)])
    probes = probes_of(view_of(room), Config.model_validate(config))
    assert (probes[0].channel, probes[0].trouble, probes[0].source) == ("air", "never heard of", "bench")
    rows = plain(draw_well(probes, 100))
    assert rows[1].rstrip() == " 3 probes with fresh readings"
    assert "by bench" in rows[2]
    assert " on " in next(row for row in rows if "heater" in row)


@pytest.mark.parametrize("state", [AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE, AlarmState.RETURNED])
def test_an_alarm_that_is_put_away_or_gone_makes_no_probe_sick(state: AlarmState) -> None:
    room = replace(make_room(tanks=[make_tank(0)]), alarms=(_frozen("t01", state),))  # type: ignore[arg-type]
    assert draw_sick(probes_of(view_of(room), NO_TANKS), 80) == []


@pytest.mark.parametrize("width", [30, 58, 78, 118])
def test_nothing_leaves_the_width_whatever_a_tank_is_called(width: int) -> None:
    room = make_room(tanks=[make_tank(0, name=EVIL), make_tank(1, name="水" * 40, values={})])
    probes = probes_of(view_of(room), NO_TANKS)
    for line in (*draw_sick(probes, width), *draw_well(probes, width)):
        assert length(line) <= width
        assert "\x1b" not in "".join(run.text for run in line)


@pytest.mark.asyncio
async def test_the_page_shows_them_above_the_sources() -> None:
    room = replace(make_room(3), alarms=(_frozen("t03"),))  # type: ignore[arg-type]
    app, _, _ = make_app(room)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await pilot.press("o")
        await settle(pilot)
        text = app.screen.query_one("#sources", Picture).text
        assert text.index("Nursery") < text.index(room.sources[0].source_id)
        assert "probe frozen" in text


def test_a_power_channel_that_tells_of_the_mains_is_well() -> None:
    config = make_config(1).model_dump(mode="json", exclude_none=True)
    config["source"] = [{"id": "bench", "kind": "serial", "port": "/dev/probe"}]
    config["tank"][0]["channel"] = [{"kind": kind, "source": "bench"} for kind in ("temperature", "power")]
    values = {"temperature": LiveValue(25.0, NOW_S, 1.0), "mains": LiveValue(1.0, NOW_S, 1.0)}
    room = make_room(tanks=[make_tank(0, values=values)])
    probes = probes_of(view_of(room), Config.model_validate(config))
    assert [(probe.channel, probe.trouble, probe.source) for probe in probes] == [
        ("temperature", "", "bench"),
        ("mains", "", "bench"),
    ]
    assert any("there" in row for row in plain(draw_well(probes, 100)))
