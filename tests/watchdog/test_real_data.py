"""Real series through replay: water and rooms that no tank's heater ever touched.

Both come with general-purpose packages (the extra `data`):

- `bokeh_sampledata` 2026.1: 19,226 half-hourly temperatures of sea water, 2016-02-15 to 2017-03-22, of a buoy
  (NERACOOS, "may be used and redistributed for free"). It has one gap of 1 h (from 2016-06-14T13:00Z), one of
  12 h (2016-07-08T01:30Z to 13:30Z) and one stamp twice (2017-03-21T16:30Z).
- `river` 0.26.1: 509 rows of a room, every sixteenth minute from 2015-02-04 17:51: temperature, humidity,
  light (Candanedo & Feldheim 2016, UCI occupancy data). 186 rows have light.

The water warms and cools by tide, sun and season, the room by people and heating: both may swing widely and
fast, and neither holds a fault of a heater or a probe, but for the gaps and the double stamp.
"""

import csv
import gzip
import json
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime
from functools import cache
from importlib.util import find_spec
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from conftest import need_file

from tankwatch.alarms.model import AlarmState, Condition, Transition
from tankwatch.config import Config, RoomConfig, TankConfig
from tankwatch.watchdog.replay import replay
from tankwatch.watchdog.watchdog import Watchdog

Record = dict[str, object]

HEATER_AND_PROBE = frozenset(c for c in Condition if c.value.startswith(("heater", "thermostat", "probe")))
SEA_STEP_S = 1800.0
ROOM_STEP_S = 960.0


def packaged(package: str, *parts: str) -> Path:
    """Return a file of an installed package without importing it."""
    spec = find_spec(package)
    folder = Path(package) if spec is None or spec.origin is None else Path(spec.origin).parent
    return need_file(folder.joinpath(*parts), package)


@cache
def sea() -> list[tuple[float, float]]:
    """Return stamps and temperatures (°C) of the sea."""
    path = packaged("bokeh_sampledata", "_data", "sea_surface_temperature.csv.gz")
    with gzip.open(path, "rt", encoding="utf-8") as file:
        rows = csv.reader(file)
        next(rows)
        return [(datetime.fromisoformat(time).timestamp(), float(value)) for time, value in rows]


@cache
def room() -> list[tuple[float, float, float, float]]:
    """Return stamps, temperatures (°C), humidities (%) and light (lx); the clock is taken as UTC."""
    path = packaged("river", "drift", "datasets", "occupancy.csv")
    with path.open(encoding="utf-8", newline="") as file:
        return [
            (
                datetime.fromisoformat(row["time"]).replace(tzinfo=UTC).timestamp(),
                float(row["V1"]),
                float(row["V2"]),
                float(row["V3"]),
            )
            for row in csv.DictReader(file)
        ]


def judged(packs: list[list[Record]], **settings: Any) -> list[Transition]:
    tank = TankConfig(**{"id": "t01", "volume_l": 1000.0, "low_c": 0.0, "high_c": 30.0, **settings})
    config = Config(room=RoomConfig(name="Trial"), tank=(tank,))
    refused: list[str] = []
    lines = (json.dumps(pack).encode() for pack in packs)
    steps = list(replay(config, lines, on_refused=lambda number, reason: refused.append(reason)))
    assert refused == []
    return steps


@cache
def sea_steps(interval_s: float | None, heater_w: float | None) -> tuple[Transition, ...]:
    packs: list[list[Record]] = [
        [{"n": "t01/temperature", "u": "Cel", "t": time_s, "v": value_c}] for time_s, value_c in sea()
    ]
    interval = {} if interval_s is None else {"probe_interval_s": interval_s}
    return tuple(judged(packs, setpoint_c=12.0, heater_w=heater_w, **interval))


def told(steps: tuple[Transition, ...] | list[Transition], names: frozenset[Condition]) -> Counter[str]:
    raised = (s.alarm.condition for s in steps if s.alarm.state is AlarmState.UNACKNOWLEDGED)
    return Counter(condition.value for condition in raised if condition in names)


def at(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


# --- the data are what they are said to be ---


def test_the_sea_series_has_its_gaps_and_its_double_stamp() -> None:
    stamps = [time_s for time_s, _ in sea()]
    assert len(stamps) == 19_226
    odd = {a: b - a for a, b in pairwise(stamps) if b - a != SEA_STEP_S}
    assert odd == {
        at("2016-06-14T13:00:00Z"): 3600.0,
        at("2016-07-08T01:30:00Z"): 12 * 3600.0,
        at("2017-03-21T16:30:00Z"): 0.0,
    }


def test_the_room_series_has_its_share_of_light(check_row: Callable[[str], Any]) -> None:
    """Row `photo.occupancy` of the check values."""
    lit = sum(light_lx > 0 for *_, light_lx in room())
    assert len(room()) == 509
    check_row("photo.occupancy").agrees(lit / len(room()))


# --- through replay ---


@pytest.mark.parametrize("heater_w", [None, 500.0])
def test_the_sea_has_no_fault_of_a_probe_but_its_gap(heater_w: float | None) -> None:
    steps = sea_steps(SEA_STEP_S, heater_w)
    probe = [s for s in steps if s.alarm.condition.value.startswith("probe")]
    assert [(s.alarm.condition, s.alarm.state) for s in probe] == [
        (Condition.PROBE_SILENT, AlarmState.UNACKNOWLEDGED),
        (Condition.PROBE_SILENT, AlarmState.RETURNED),
    ]
    assert probe[0].alarm.since_s == at("2016-07-08T01:30:00Z")
    assert probe[0].time_s < at("2016-07-08T13:30:00Z") <= probe[1].time_s


@pytest.mark.parametrize("heater_w", [None, 500.0])
def test_the_sea_has_no_heater_that_fails(heater_w: float | None) -> None:
    steps = sea_steps(SEA_STEP_S, heater_w)
    assert told(steps, HEATER_AND_PROBE - {Condition.PROBE_SILENT, Condition.THERMOSTAT_DRIFT}) == {}


def test_the_sea_has_no_thermostat_that_drifts() -> None:
    assert told(sea_steps(SEA_STEP_S, None), frozenset({Condition.THERMOSTAT_DRIFT})) == {}


def test_a_probe_slower_than_it_was_said_to_be_is_learned() -> None:
    """Told to read every ten seconds it is silent at first, once; then its pace is known."""
    steps = sea_steps(None, None)
    silent = [
        s.alarm.since_s
        for s in steps
        if s.alarm.condition is Condition.PROBE_SILENT and s.alarm.state is AlarmState.UNACKNOWLEDGED
    ]
    assert silent == [sea()[0][0], at("2016-07-08T01:30:00Z")]


def test_the_seas_swings_are_those_of_the_data() -> None:
    """The first wide swing is told while the range of 24 hours is as wide as the limit, and not before."""
    steps = sea_steps(SEA_STEP_S, None)
    first = next(s for s in steps if s.alarm.condition is Condition.WIDE_SWING)
    day = [c for t, c in sea() if first.time_s - 24.5 * 3600.0 <= t <= first.time_s]
    assert max(day) - min(day) > 2.0
    before = [(t, c) for t, c in sea() if t <= first.time_s - 2 * 3600.0]
    widest = max(
        max(part) - min(part)
        for i in range(0, len(before) - 48, 4)
        if (part := [c for _, c in before[i : i + 48]])
    )
    assert widest < 2.3, "no far wider day has passed in silence"


def room_packs(*, as_lux: bool) -> list[list[Record]]:
    packs: list[list[Record]] = []
    for time_s, value_c, humidity, light_lx in room():
        light: Record = {"u": "lx", "v": light_lx} if as_lux else {"vb": light_lx > 0}
        packs.append(
            [
                {"n": "t01/temperature", "u": "Cel", "t": time_s, "v": value_c},
                {"n": "t01/humidity", "u": "%RH", "t": time_s, "v": humidity},
                {"n": "t01/light", "t": time_s, **light},
            ]
        )
    return packs


@pytest.mark.parametrize("interval_s", [ROOM_STEP_S, 10.0])
@pytest.mark.parametrize("heater_w", [None, 200.0])
@pytest.mark.parametrize("as_lux", [True, False])
def test_the_room_has_no_fault_of_heater_or_probe(
    interval_s: float, heater_w: float | None, as_lux: bool
) -> None:
    steps = judged(
        room_packs(as_lux=as_lux),
        setpoint_c=21.0,
        heater_w=heater_w,
        light_hours_max=24.0,
        probe_interval_s=interval_s,
    )
    # Told to read every ten seconds, sixteen minutes are silence until the pace is known.
    allowed = {} if interval_s == ROOM_STEP_S else {"probe-silent": 1}
    assert told(steps, HEATER_AND_PROBE) == allowed
    assert told(steps, frozenset({Condition.LIGHT_MISSED, Condition.LIGHT_OVERRUN})) == {}


def test_the_rooms_light_hours_are_counted_by_the_day() -> None:
    """Against the plain count of lit rows, sixteen minutes each, of the five whole days."""
    rows: Counter[str] = Counter()
    for time_s, _, _, light_lx in room():
        rows[datetime.fromtimestamp(time_s, UTC).date().isoformat()] += light_lx > 0
    whole = [rows[f"2015-02-0{day}"] * ROOM_STEP_S / 3600.0 for day in range(5, 10)]
    tank = TankConfig(id="t01", volume_l=1000.0, setpoint_c=21.0, probe_interval_s=ROOM_STEP_S)
    dog = Watchdog(Config(room=RoomConfig(name="Trial"), tank=(tank,)), expects_all=False)
    for _ in replay(dog.config, (json.dumps(p).encode() for p in room_packs(as_lux=False)), watchdog=dog):
        pass
    assert dog.tank("t01").light.days == pytest.approx(whole, abs=0.3)
