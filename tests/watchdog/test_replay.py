"""`tankwatch replay`: the watchdog on recorded readings, as the command and as the function. Invented data.

Lines are SenML packs (RFC 8428), times of the output are RFC 3339.
"""

import json
import os
import random
import subprocess
import sys
from collections.abc import Iterable, Iterator
from datetime import datetime
from pathlib import Path

import pytest
from watch_bench import HOUR_S, MIDNIGHT_S

from tankwatch.alarms.model import AlarmState, Condition, Transition
from tankwatch.config import Config, RoomConfig, TankConfig, load
from tankwatch.simulate.room import RoomAir
from tankwatch.simulate.tank import Fault, FaultKind, TankSim, TankSpec, run
from tankwatch.watchdog.replay import replay
from tankwatch.watchdog.watchdog import Watchdog

CONFIG = """
[room]
name = "Trial"

[[tank]]
id = "t01"
volume_l = 120.0
setpoint_c = 25.0
heater_w = 150.0
probe_interval_s = 60
"""
SPEC = TankSpec("t01", interval_s=60.0)
FAULT_S = MIDNIGHT_S + 26 * HOUR_S


def senml(tank: str, records: Iterable[tuple[str, float, float | str]]) -> Iterator[str]:
    """Return one pack a line for each record."""
    for channel, time_s, value in records:
        record: dict[str, object] = {"n": f"{tank}/{channel}", "t": time_s}
        if isinstance(value, str):
            record["vs"] = value
        elif channel in {"heater", "light"}:
            record["vb"] = bool(value)
        else:
            record |= {"u": "Cel", "v": round(value, 4)}
        yield json.dumps([record])


def recorded(kind: FaultKind | None, hours: float = 36.0, seed: int = 3, spec: TankSpec = SPEC) -> list[str]:
    """Return the lines of a simulated tank in which `kind` begins after 26 hours."""
    faults = [] if kind is None else [Fault(kind, FAULT_S)]
    air = RoomAir(mean_c=20.0, start_s=MIDNIGHT_S, seed=seed)
    sim = TankSim(spec, air, MIDNIGHT_S, seed=seed, faults=faults)
    return list(senml(spec.tank_id, run(sim, MIDNIGHT_S + hours * HOUR_S, air=True)))


@pytest.fixture
def config_path(tmp_path: Path) -> Path:
    path = tmp_path / "tankwatch.toml"
    path.write_text(CONFIG)
    return path


def judged(lines: Iterable[str], watchdog: Watchdog | None = None) -> list[Transition]:
    tank = TankConfig(id="t01", volume_l=120.0, setpoint_c=25.0, heater_w=150.0, probe_interval_s=60.0)
    config = Config(room=RoomConfig(name="Trial"), tank=(tank,))
    return list(replay(config, (line.encode() for line in lines), watchdog=watchdog))


def summary(steps: Iterable[Transition]) -> list[tuple[float, str, str]]:
    return [(s.time_s, s.alarm.condition.value, s.alarm.state.value) for s in steps]


def command(
    config: Path, readings: str, *options: str, given: str | None = None
) -> "subprocess.CompletedProcess[str]":
    environment = {**os.environ, "PYTHONIOENCODING": "utf-8"}
    return subprocess.run(
        [sys.executable, "-m", "tankwatch", "replay", str(config), readings, *options],
        input=given,
        capture_output=True,
        encoding="utf-8",
        timeout=60,
        env=environment,
        check=False,
    )


# --- the contract of the command ---


def test_each_step_is_one_json_object_in_time_order(config_path: Path, tmp_path: Path) -> None:
    lines = recorded(FaultKind.UNPLUGGED)
    path = tmp_path / "readings.jsonl"
    path.write_text("\n".join(lines) + "\n")
    done = command(config_path, str(path), "--json")
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    steps = [json.loads(line) for line in done.stdout.splitlines()]
    assert steps[0]["alarm"] == "heater-no-heat"
    for step in steps:
        assert {"time", "tank", "alarm", "state", "priority", "message"} <= set(step)
        assert step["tank"] == "t01"
        assert step["alarm"] in {c.value for c in Condition}
        assert step["state"] in {"unacknowledged", "returned"}
        assert step["priority"] in {"low", "medium", "high", "critical"}
        assert step["message"].strip()
        assert step["time"].endswith("Z")
    times = [datetime.fromisoformat(step["time"]) for step in steps]
    assert times == sorted(times)
    assert times[0].timestamp() > FAULT_S

    piped = command(config_path, "-", "--json", given=path.read_text())
    assert (piped.returncode, piped.stdout) == (0, done.stdout)


def test_bad_lines_are_counted_and_stop_nothing(config_path: Path) -> None:
    lines = recorded(FaultKind.UNPLUGGED)
    clean = summary(judged(lines))
    bad = [
        "not json",
        "{}",
        "[]",
        "[1, 2]",
        '[{"n":"t01/temperature","v":25.0}]',
        '[{"n":"t01/nothing","t":1790000000,"v":25.0}]',
        '[{"n":"temperature","t":1790000000,"v":25.0}]',
        '[{"n":"t01/temperature","t":1790000000,"vs":"warm"}]',
        '[{"n":"t01/service","t":1790000000,"vs":"siesta"}]',
        '[{"n":"t01/temperature","t":1790000000,"v":1e999}]',
        "[" * 5000,
        '[{"n":"t01/temperature","t":1790000000,"v":',
    ]
    rng = random.Random(2)
    mixed = list(lines)
    for line in bad:
        mixed.insert(rng.randrange(len(mixed)), line)
    done = command(config_path, "-", "--json", given="\n".join(mixed) + "\n")
    assert done.returncode == 0, done.stderr
    told = [json.loads(line) for line in done.stdout.splitlines()]
    assert [(t["alarm"], t["state"]) for t in told] == [(name, state) for _, name, state in clean]
    counted = done.stderr.splitlines()[-1]
    assert any(f"{count} line" in counted for count in (len(bad), len(bad) - 1)), "an empty pack may be fine"


def test_an_unknown_tank_stops_nothing(config_path: Path) -> None:
    other = recorded(None, hours=2.0, spec=TankSpec("t77", interval_s=60.0))
    done = command(config_path, "-", "--json", given="\n".join(other) + "\n")
    assert (done.returncode, done.stdout) == (0, "")


def test_nothing_in_gives_nothing_out(config_path: Path) -> None:
    done = command(config_path, "-", "--json", given="")
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_a_wrong_configuration_ends_with_status_2(tmp_path: Path) -> None:
    path = tmp_path / "tankwatch.toml"
    path.write_text(CONFIG.replace("volume_l", "volumel"))
    done = command(path, "-", given="")
    assert done.returncode == 2
    assert "volume_l" in done.stderr, "the nearest known key is named"


def test_readings_that_are_not_there_end_with_status_2(config_path: Path, tmp_path: Path) -> None:
    done = command(config_path, str(tmp_path / "none.jsonl"))
    assert done.returncode == 2
    assert "none.jsonl" in done.stderr


def test_replay_needs_neither_source_nor_channels(config_path: Path) -> None:
    assert load(config_path).source == ()
    assert judged(recorded(None, 1.0)) == []


# --- what is judged ---


def test_a_pack_with_base_fields_is_resolved() -> None:
    """The base name and base time of RFC 8428, section 4.1."""
    lines = []
    for minute in range(180):
        time_s = MIDNIGHT_S + 60.0 * minute
        water_c = 25.0 if minute < 60 else 22.5
        lines.append(json.dumps([{"bn": "t01/", "bt": time_s, "n": "temperature", "u": "Cel", "v": water_c}]))
    assert judged(lines)[0].alarm.condition.value in {"too-cold", "probe-out-of-water"}


@pytest.mark.parametrize(
    ("kind", "name"),
    [
        (FaultKind.STUCK_ON, Condition.HEATER_STUCK_ON),
        (FaultKind.UNPLUGGED, Condition.HEATER_NO_HEAT),
        (FaultKind.DEAD_ELEMENT, Condition.HEATER_NO_HEAT),
        (FaultKind.PROBE_POWER_ON, Condition.PROBE_FAULTY),
        (FaultKind.PROBE_IN_AIR, Condition.PROBE_OUT_OF_WATER),
    ],
)
def test_replay_is_causal(kind: FaultKind, name: Condition) -> None:
    """Cutting the file just after an alarm yields the same alarm; none bears a time before its readings."""
    lines = recorded(kind)
    arrived_s = 0.0
    stamps = []
    for line in lines:
        arrived_s = max(arrived_s, json.loads(line)[0]["t"])
        stamps.append(arrived_s)
    whole = judged(lines)
    assert whole[0].alarm.condition is name
    steps: list[Transition] = []
    count = 0

    def fed() -> Iterator[str]:
        nonlocal count
        for line in lines:
            count += 1
            yield line

    told_after: list[int] = []
    tank = TankConfig(id="t01", volume_l=120.0, setpoint_c=25.0, heater_w=150.0, probe_interval_s=60.0)
    config = Config(room=RoomConfig(name="Trial"), tank=(tank,))
    for step in replay(config, (line.encode() for line in fed())):
        steps.append(step)
        told_after.append(count)
        assert step.time_s <= stamps[count - 1], "told of what has not arrived yet"
    assert summary(steps) == summary(whole)
    for number, after in enumerate(told_after, 1):
        assert summary(judged(lines[:after]))[:number] == summary(whole)[:number]


def test_silence_is_told_when_other_tanks_carry_the_time() -> None:
    tanks = tuple(
        TankConfig(id=i, volume_l=120.0, setpoint_c=25.0, probe_interval_s=60.0) for i in ("t01", "t02")
    )
    config = Config(room=RoomConfig(name="Trial"), tank=tanks)
    lines: list[str] = []
    for minute in range(240):
        for tank in ("t01", "t02"):
            if tank == "t01" or minute < 120:
                stamp_s = MIDNIGHT_S + 60.0 * minute
                lines += senml(tank, [("temperature", stamp_s, 25.0 + 0.1 * (minute % 2))])
    (step,) = replay(config, (line.encode() for line in lines))
    assert (step.alarm.tank, step.alarm.condition) == ("t02", Condition.PROBE_SILENT)
    assert 180.0 <= step.time_s - (MIDNIGHT_S + 119 * 60.0) <= 900.0


# --- clocks that step ---


def moved(lines: Iterable[str], from_s: float, by_s: float) -> list[str]:
    out = []
    for line in lines:
        (record,) = json.loads(line)
        if record["t"] > from_s:
            record["t"] += by_s
        out.append(json.dumps([record]))
    return out


@pytest.mark.parametrize("by_s", [-3600.0, -86_400.0])
def test_a_clock_put_back_is_no_fault_and_blinds_nobody(by_s: float) -> None:
    step_s = MIDNIGHT_S + 12.3 * HOUR_S
    assert judged(moved(recorded(None), step_s, by_s)) == []
    faulty = judged(moved(recorded(FaultKind.UNPLUGGED), step_s, by_s))
    plain = judged(recorded(FaultKind.UNPLUGGED))
    assert [name for _, name, _ in summary(faulty)] == [name for _, name, _ in summary(plain)]
    # The alarm bears the probe's own stamp, unless that would let the record run backwards.
    assert faulty[0].time_s == pytest.approx(plain[0].time_s + by_s, abs=1200.0)


def test_a_clock_put_forward_may_look_like_silence_and_like_nothing_else() -> None:
    steps = judged(moved(recorded(None), MIDNIGHT_S + 12.3 * HOUR_S, 3600.0))
    assert {name for _, name, _ in summary(steps)} <= {"probe-silent"}


def test_duplicates_and_late_lines_change_nothing() -> None:
    lines = recorded(FaultKind.STUCK_ON)
    rng = random.Random(8)
    messy, late = [], []
    for line in lines:
        if rng.random() < 0.01:
            late.append(line)
            continue
        messy.append(line)
        if rng.random() < 0.05:
            messy.append(line)
        if late and rng.random() < 0.1:
            messy.append(late.pop())
    plain, mixed = judged(lines), judged(messy)
    assert [s.alarm.condition for s in mixed] == [s.alarm.condition for s in plain]
    assert mixed[0].time_s == pytest.approx(plain[0].time_s, abs=300.0)


# --- a restart in the middle ---


@pytest.mark.parametrize("kind", [None, FaultKind.STUCK_ON, FaultKind.UNPLUGGED, FaultKind.DEAD_ELEMENT])
@pytest.mark.parametrize("cut_h", [20.0, 25.9])
def test_a_restart_in_the_middle_gives_the_same_alarms(kind: FaultKind | None, cut_h: float) -> None:
    """What was learned is handed over as JSON; the fault comes after it."""
    lines = recorded(kind)
    whole = judged(lines)
    tank = TankConfig(id="t01", volume_l=120.0, setpoint_c=25.0, heater_w=150.0, probe_interval_s=60.0)
    config = Config(room=RoomConfig(name="Trial"), tank=(tank,))
    cut = next(i for i, line in enumerate(lines) if json.loads(line)[0]["t"] > MIDNIGHT_S + cut_h * HOUR_S)
    first = Watchdog(config, expects_all=False)
    assert judged(lines[:cut], first) == []
    second = Watchdog(config, memory=json.loads(json.dumps(first.remember())), expects_all=False)
    after = judged(lines[cut:], second)
    raised = [s for s in after if s.alarm.state is AlarmState.UNACKNOWLEDGED]
    expected = [s for s in whole if s.alarm.state is AlarmState.UNACKNOWLEDGED]
    assert [s.alarm.condition for s in raised] == [s.alarm.condition for s in expected]
    for step, same in zip(raised, expected, strict=True):
        assert step.time_s == pytest.approx(same.time_s, abs=1800.0)


def test_a_restart_during_an_alarm_does_not_tell_it_twice() -> None:
    lines = recorded(FaultKind.UNPLUGGED)
    tank = TankConfig(id="t01", volume_l=120.0, setpoint_c=25.0, heater_w=150.0, probe_interval_s=60.0)
    config = Config(room=RoomConfig(name="Trial"), tank=(tank,))
    first = Watchdog(config, expects_all=False)
    told = judged(lines[: len(lines) - 600], first)
    assert [s.alarm.condition for s in told] == [Condition.HEATER_NO_HEAT]
    second = Watchdog(
        config,
        memory=json.loads(json.dumps(first.remember())),
        standing=first.book.standing,
        next_alarm_id=2,
        expects_all=False,
    )
    assert judged(lines[len(lines) - 600 :], second) == []
