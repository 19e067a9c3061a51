"""The invented room: it describes itself in a valid configuration, and its bad night is always the last."""

import json
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from tankwatch.alarms.model import Condition
from tankwatch.check import report
from tankwatch.config import Config, load, warnings_of
from tankwatch.decode.senml import resolve
from tankwatch.demo.history import write_history
from tankwatch.demo.publisher import tank_pack
from tankwatch.demo.room import DemoRoom, config_text, local_zone, make_room
from tankwatch.store.reader import StoreReader

NOON_S = 1_790_337_600.0  # 2026-09-25 12:00 UTC


def _configured(room: DemoRoom, folder: Path) -> Config:
    path = folder / "tankwatch.toml"
    path.write_text(config_text(room, folder, 1883))
    return load(path)


@pytest.mark.parametrize("tanks", [1, 2, 12, 40])
def test_room_describes_itself_in_a_valid_configuration(tmp_path: Path, tanks: int) -> None:
    room = make_room(tanks, NOON_S)
    config = _configured(room, tmp_path)
    assert list(warnings_of(config)) == []
    assert [tank.id for tank in config.tank] == [sim.spec.tank_id for sim in room.sims]
    assert len({tank.label for tank in config.tank}) == tanks
    assert all("light-after-hours" in str(tank) for tank in report(config, tmp_path)["tanks"])


@pytest.mark.parametrize("hour", [0, 3, 6, 9, 15, 23])
@pytest.mark.parametrize("zone", ["Etc/UTC", "Pacific/Auckland", "America/St_Johns"])
def test_bad_night_is_over_and_less_than_a_day_and_a_half_old(hour: int, zone: str) -> None:
    now_s = NOON_S + hour * 3600.0
    room = make_room(12, now_s, zone)
    (stuck,) = room.sims[2].faults
    assert now_s - 36 * 3600.0 < stuck.start_s < stuck.end_s < now_s
    assert datetime.fromtimestamp(stuck.start_s, ZoneInfo(zone)).hour == 1
    (left_on,) = room.sims[6].faults
    assert room.start_s < left_on.start_s < now_s < left_on.end_s


def test_history_holds_the_night_and_the_light_and_nothing_of_the_others(tmp_path: Path) -> None:
    room = make_room(8, NOON_S)
    config = _configured(room, tmp_path)
    shares: list[float] = []
    count = write_history(room, config, shares.append)
    assert count > 8 * 3 * 1440 * 3
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    reader = StoreReader(config.store.path)
    found = {(step.alarm.tank, step.alarm.condition) for step in reader.steps(0.0, 1e11)}
    assert ("t03", Condition.HEATER_STUCK_ON) in found
    assert {("t07", Condition.LIGHT_OVERRUN), ("t07", Condition.LIGHT_AFTER_HOURS)} <= found
    assert {tank for tank, _ in found} == {"t03", "t07"}
    assert reader.memory("watchdog")
    span = reader.span()
    assert span is not None
    assert room.start_s <= span[0] < span[1] <= room.now_s


def test_probes_speak_senml() -> None:
    sim = make_room(1, NOON_S).sims[0]
    sim.advance(sim.time_s + 60)
    records = resolve(json.dumps(tank_pack(sim, sim.time_s)).encode())
    assert [record.name for record in records] == ["temperature", "heater", "light"]
    assert all(record.time_s == pytest.approx(sim.time_s, abs=0.001) for record in records)


def test_zone_of_the_machine_is_one_that_exists(monkeypatch: pytest.MonkeyPatch) -> None:
    assert ZoneInfo(local_zone())
    monkeypatch.setenv("TZ", ":Pacific/Auckland")
    assert local_zone() == "Pacific/Auckland"
    monkeypatch.setenv("TZ", "no such place")
    assert ZoneInfo(local_zone())
