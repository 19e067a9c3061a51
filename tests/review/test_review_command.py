"""The command `review` from outside: text, JSON, page and exit status."""

import json
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from nights import BEGIN_S, HOUR_S, LEAD_H, Night, config_of, draw

from tankwatch.alarms.model import Transition
from tankwatch.simulate.room import RoomAir
from tankwatch.simulate.tank import TankSpec
from tankwatch.store.bulk import write_history
from tankwatch.store.entry import LogEntry
from tankwatch.watchdog.watchdog import Watchdog

NIGHT = ("--night", "2026-09-21")


def tankwatch(*arguments: str, cwd: Path) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [sys.executable, "-m", "tankwatch", *arguments],
        cwd=cwd,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def keep(folder: Path, *nights: Night, steps: list[Transition] | None = None) -> None:
    """Write store and configuration of the nights into `folder`."""
    readings = sorted((r for night in nights for r in night.readings), key=lambda r: r.time_s)
    entry = LogEntry(BEGIN_S + 9 * HOUR_S, None, "note", "Ane", "heater <b>unplugged</b> at the wall")
    write_history(folder / "room.db", readings, steps or (), log=[entry])
    tables = ['[room]\nname = "Trial room"\n[store]\npath = "room.db"\n']
    for night in nights:
        tank = night.config
        tables.append(
            f'[[tank]]\nid = "{tank.id}"\nvolume_l = {tank.volume_l}\nsetpoint_c = {tank.setpoint_c}\n'
            f"heater_w = {tank.heater_w}\nlow_c = {tank.low_c}\nhigh_c = {tank.high_c}\n"
            f"probe_interval_s = {tank.probe_interval_s}\n"
        )
    (folder / "room.toml").write_text("".join(tables))


@pytest.fixture(scope="module")
def bad_night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a store in which one heater stuck, as the watchdog saw it, and one tank was well."""
    folder = tmp_path_factory.mktemp("bad")
    stuck = draw("stuck-on", 0)
    air = RoomAir(mean_c=20.0, start_s=BEGIN_S - LEAD_H * HOUR_S, days=3, seed=4)
    well = Night(replace(TankSpec("well"), interval_s=30.0), air, seed=4).live()
    dog = Watchdog(config_of(folder / "room.db", stuck))
    for reading in stuck.readings:
        dog.advance(reading.time_s)
        dog.feed(reading)
    keep(folder, stuck, well, steps=dog.take_steps())
    return folder


def test_the_text_tells_onset_cause_and_alarm_and_the_status_is_three(bad_night: Path) -> None:
    done = tankwatch("review", "room.toml", *NIGHT, cwd=bad_night)
    assert (done.returncode, done.stderr) == (3, "")
    assert "heater stuck on" in done.stdout
    assert re.search(r"first alarm +heater-stuck-on at .* after onset", done.stdout)
    assert "with two 128 W heaters, one of them failing the same way" in done.stdout
    assert "nothing to do" in done.stdout
    assert "not a safety device" in done.stdout
    assert done.stdout.index("t00") < done.stdout.index("well"), "worst first"
    assert "Alarms as a system" not in done.stdout
    more = tankwatch("review", "room.toml", *NIGHT, "--alarms", cwd=bad_night)
    assert "EEMUA 191" in more.stdout


def test_a_tank_that_was_well_gives_status_zero(bad_night: Path) -> None:
    done = tankwatch("review", "room.toml", *NIGHT, "--tank", "well", cwd=bad_night)
    assert done.returncode == 0, done.stdout
    assert "t00" not in done.stdout.replace("Trial room", "")


def test_json_carries_the_same_facts(bad_night: Path) -> None:
    done = tankwatch(
        "review",
        "room.toml",
        "--from",
        "2026-09-21T20:00",
        "--to",
        "2026-09-22T08:00Z",
        "--json",
        cwd=bad_night,
    )
    assert done.returncode == 3
    found = json.loads(done.stdout)
    assert (found["from"], found["to"]) == ("2026-09-21T20:00:00Z", "2026-09-22T08:00:00Z")
    tank = found["tanks"][0]
    assert (tank["tank"], tank["incidents"][0]["cause"]) == ("t00", "heater stuck on")
    assert tank["incidents"][0]["onset"] < tank["incidents"][0]["turn"] < tank["incidents"][0]["recovery"]
    assert tank["water"]["degree_hours_above"] > 0.2
    assert tank["alarms"][0]["condition"] == "heater-stuck-on"
    assert found["alarm_load"]["told"] >= 1
    assert found["log"][0]["text"] == "heater <b>unplugged</b> at the wall"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--night", "yesterday"), "expected a day"),
        (("--hours", "8-20"), "20:00-08:00"),
        (("--night", "2026-09-21", "--from", "2026-09-21"), "--night"),
        (("--tank", "t99"), "no tank 't99'"),
        (("--html", "/nowhere/page.html"), "cannot be written"),
    ],
)
def test_wrong_use_is_told_with_status_two(bad_night: Path, arguments: tuple[str, ...], words: str) -> None:
    done = tankwatch("review", "room.toml", *arguments, cwd=bad_night)
    assert done.returncode == 2
    assert words in done.stderr
    assert done.stdout == ""


def test_a_night_without_readings_needs_attention(bad_night: Path) -> None:
    done = tankwatch("review", "room.toml", "--night", "2026-10-21", "--tank", "well", cwd=bad_night)
    assert done.returncode == 3
    assert "no water temperature was recorded" in done.stdout
