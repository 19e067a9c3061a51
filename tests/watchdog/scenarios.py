"""Seeded tanks, healthy and faulty, and a scorer of what the watchdog says of them.

Run it by hand for the whole table:  python tests/watchdog/scenarios.py --healthy 60 --faulty 12
All data here is invented; the truth is what the simulation did.
"""

import argparse
import math
import random
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from tankwatch.alarms.model import AlarmState, Condition, Transition
from tankwatch.config import Config, RoomConfig, TankConfig
from tankwatch.reading import Channel, Reading
from tankwatch.simulate.room import AirEvent, RoomAir
from tankwatch.simulate.tank import Fault, FaultKind, Record, TankSim, TankSpec, Work, run
from tankwatch.watchdog.roomclock import RoomClock
from tankwatch.watchdog.watchdog import Watchdog

START_S = 1_790_000_000.0
DAY_S = 86_400.0
HOUR_S = 3600.0


@dataclass
class Scenario:
    """One tank, what happens to it, and what should be said of it."""

    name: str
    spec: TankSpec
    air: RoomAir
    days: float
    heater_measured: bool = True
    air_measured: bool = False
    faults: list[Fault] = field(default_factory=list)
    works: list[Work] = field(default_factory=list)
    extra_light: list[tuple[float, float]] = field(default_factory=list)
    expected: frozenset[Condition] = frozenset()
    start_s: float = START_S
    fault_s: float = math.inf
    rated_known: bool = True
    offset_k: float = 0.0
    messy: bool = False
    seed: int = 0
    limit_s: float = math.inf
    """Latest time after the fault for state faults; physical faults have a temperature instead."""
    hotter_k: float | None = None
    colder_k: float | None = None


def draw_spec(rng: random.Random) -> tuple[TankSpec, float]:
    """Draw a tank and a room mean in which its heater has something to do and can hold it."""
    volume = math.exp(rng.uniform(math.log(20), math.log(600)))
    side = (volume / 2000.0) ** (1 / 3)
    loss = rng.uniform(4.0, 9.0) * 10 * side * side
    setpoint = rng.choice([23.0, 24.0, 25.0, 25.0, 26.0, 27.0, 28.0])
    room = rng.uniform(17.0, 23.0)
    need = loss * (setpoint - room + 3.0)
    heater = min(600.0, max(25.0, need * rng.uniform(1.25, 2.5)))
    spec = TankSpec(
        "t01",
        volume_l=round(volume, 1),
        heater_w=round(heater),
        setpoint_c=setpoint,
        hysteresis_k=rng.choice([0.2, 0.3, 0.5, 0.5, 0.7, 1.0]),
        loss_w_per_k=loss,
        heater_lag_s=rng.uniform(20, 120),
        probe_lag_s=rng.uniform(5, 120),
        noise_c=rng.choice([0.0, 0.01, 0.02, 0.04, 0.06]),
        quantum_c=rng.choice([0.0625, 0.0625, 0.1, 0.01, 0.0]),
        interval_s=rng.choice([2.0, 5.0, 10.0, 10.0, 20.0, 30.0, 60.0]),
        light_on_h=rng.uniform(10.0, 13.0),
        light_hours=rng.uniform(4.0, 7.5),
        light_gain_w=rng.uniform(0.0, 0.03) * volume,
    )
    return spec, room


def draw(name: str, seed: int, days: float = 4.0) -> Scenario:
    """Draw the scenario called `name` from its seed."""
    rng = random.Random(f"{name}/{seed}")
    spec, room_c = draw_spec(rng)
    start_s = START_S + rng.uniform(0, DAY_S)
    events: list[AirEvent] = []
    fault_s = start_s + rng.uniform(1.5, 2.5) * DAY_S
    scenario = Scenario(
        name,
        spec,
        RoomAir(),
        days,
        heater_measured=rng.random() < 0.7,
        air_measured=rng.random() < 0.4,
        start_s=start_s,
        fault_s=fault_s,
        rated_known=rng.random() < 0.7,
        offset_k=rng.uniform(-0.3, 0.3),
        seed=rng.randrange(1 << 30),
    )
    daily = rng.uniform(0.3, 2.0)
    weather = rng.uniform(0.2, 0.8)
    one = FAULTS.get(name)
    if one is not None:
        one(scenario, rng, events)
    elif name == "summer":
        room_c = spec.setpoint_c - rng.uniform(-0.6, 1.0)
        daily = rng.uniform(0.3, 1.0)
        weather = 0.3
    elif name == "work":
        for day in range(1, int(days)):
            at_s = start_s + day * DAY_S + rng.uniform(-3, 3) * HOUR_S
            scenario.works.append(
                Work(
                    at_s,
                    rng.uniform(600, 2400),
                    rng.uniform(0.1, 0.3),
                    spec.setpoint_c - rng.uniform(-1.0, 4.0),
                )
            )
    elif name == "hands":
        scenario.works = [
            Work(start_s + d * DAY_S + 5e4, rng.uniform(300, 2400)) for d in range(1, int(days))
        ]
    elif name == "messy":
        scenario.messy = True
    elif name == "cold-spell":
        events.append(AirEvent(fault_s, fault_s + DAY_S, -rng.uniform(1.0, 2.5), ramp_s=3 * HOUR_S))
    elif name == "feeding-lamp":
        for day in range(int(days)):
            at_s = (start_s // DAY_S + day) * DAY_S + rng.uniform(22.6, 23.5) * HOUR_S
            scenario.extra_light.append((at_s, at_s + rng.uniform(60, 300)))
    scenario.air = RoomAir(
        mean_c=room_c,
        daily_k=daily,
        weather_k=weather,
        start_s=start_s,
        days=days + 1,
        seed=seed,
        events=events,
    )
    return scenario


FaultDraw = Callable[[Scenario, random.Random, list[AirEvent]], None]
"""Puts a fault into a scenario; what it does to the room is appended to the events."""


def _faulty(kind: FaultKind, expected: set[Condition], size: float = 1.0, **rest: float) -> FaultDraw:
    def build(s: Scenario, rng: random.Random, events: list[AirEvent]) -> None:
        s.faults = [Fault(kind, s.fault_s, size=size)]
        s.expected = frozenset(expected)
        for key, value in rest.items():
            setattr(s, key, value)
        if kind in {
            FaultKind.UNPLUGGED,
            FaultKind.STUCK_ON_UNSEEN,
            FaultKind.SHORT_CYCLING,
            FaultKind.LID_OFF,
            FaultKind.WEAK_ELEMENT,
        }:
            s.heater_measured = True
        if kind is FaultKind.LID_OFF:
            s.air_measured = True
        if kind is FaultKind.STUCK_ON_UNSEEN and rng.random() < 0.3:
            s.heater_measured = False

    return build


def _overloaded(s: Scenario, rng: random.Random, events: list[AirEvent]) -> None:
    spec = s.spec
    lift = spec.heater_w / spec.loss_w_per_k
    events.append(
        AirEvent(s.fault_s, s.fault_s + 3 * DAY_S, -lift * rng.uniform(0.9, 1.2), ramp_s=3 * HOUR_S)
    )
    s.expected = frozenset({Condition.HEATER_OVERLOADED})
    s.colder_k = 1.0


def _exposed(s: Scenario, rng: random.Random, events: list[AirEvent]) -> None:
    s.works = [Work(s.fault_s, 7200.0, 0.4, s.spec.setpoint_c - 1, heater_unplugged=False)]
    s.faults = [Fault(FaultKind.STUCK_ON, s.fault_s + 1800.0, s.fault_s + 3600.0)]
    s.heater_measured = True
    s.expected = frozenset({Condition.HEATER_EXPOSED})
    s.limit_s = 1800.0 + 2 * s.spec.interval_s + 11


C = Condition
FAULTS: dict[str, FaultDraw] = {
    "stuck-on": _faulty(FaultKind.STUCK_ON, {C.HEATER_STUCK_ON}, hotter_k=1.0),
    "stuck-on-unseen": _faulty(FaultKind.STUCK_ON_UNSEEN, {C.HEATER_STUCK_ON}, hotter_k=1.0),
    "dead-element": _faulty(FaultKind.DEAD_ELEMENT, {C.HEATER_NO_HEAT}, colder_k=1.0),
    "unplugged": _faulty(FaultKind.UNPLUGGED, {C.HEATER_NO_HEAT}, colder_k=1.0),
    "overloaded": _overloaded,
    "lid-off": _faulty(
        FaultKind.LID_OFF, {C.HEATER_DUTY_HIGH, C.HEATER_OVERLOADED}, size=1.9, limit_s=12 * HOUR_S
    ),
    "weak-element": _faulty(
        FaultKind.WEAK_ELEMENT, {C.HEATER_DUTY_HIGH, C.HEATER_OVERLOADED}, size=0.55, limit_s=18 * HOUR_S
    ),
    "short-cycling": _faulty(
        FaultKind.SHORT_CYCLING, {C.HEATER_SHORT_CYCLING}, size=0.05, limit_s=2 * HOUR_S
    ),
    "drift": _faulty(FaultKind.DRIFT, {C.THERMOSTAT_DRIFT}, size=0.6, limit_s=1.6 * DAY_S),
    "exposed": _exposed,
    "probe-silent": _faulty(FaultKind.PROBE_SILENT, {C.PROBE_SILENT}, limit_s=900),
    "probe-frozen": _faulty(FaultKind.PROBE_FROZEN, {C.PROBE_FROZEN}, limit_s=8 * HOUR_S),
    "probe-power-on": _faulty(FaultKind.PROBE_POWER_ON, {C.PROBE_FAULTY}, limit_s=600),
    "probe-unplugged": _faulty(FaultKind.PROBE_UNPLUGGED, {C.PROBE_FAULTY}, limit_s=600),
    "probe-spikes": _faulty(FaultKind.PROBE_SPIKES, {C.PROBE_FAULTY}, size=0.25, limit_s=1800),
    "probe-in-air": _faulty(FaultKind.PROBE_IN_AIR, {C.PROBE_OUT_OF_WATER}, limit_s=2400),
    "light-on": _faulty(FaultKind.LIGHT_ON, {C.LIGHT_OVERRUN, C.LIGHT_AFTER_HOURS}, limit_s=14 * HOUR_S),
    "light-off": _faulty(FaultKind.LIGHT_OFF, {C.LIGHT_MISSED}, limit_s=3.5 * DAY_S),
}
HEALTHY = ("plain", "summer", "work", "hands", "messy", "cold-spell", "feeding-lamp")


def records_of(scenario: Scenario) -> tuple[Iterator[Record], TankSim]:
    """Return the records of a scenario in order of arrival, and the simulation that makes them."""
    sim = TankSim(
        scenario.spec,
        scenario.air,
        scenario.start_s,
        seed=scenario.seed,
        faults=scenario.faults,
        works=scenario.works,
        extra_light=scenario.extra_light,
    )
    records = run(
        sim,
        scenario.start_s + scenario.days * DAY_S,
        heater=scenario.heater_measured,
        air=scenario.air_measured,
    )
    return (_mess_up(records, scenario) if scenario.messy else records), sim


def _mess_up(records: Iterator[Record], scenario: Scenario) -> Iterator[Record]:
    """Lose, double, delay and misdate records, and let single values be absurd: what real probes do."""
    rng = random.Random(scenario.seed)
    step_s = scenario.start_s + rng.uniform(1, 3) * DAY_S
    gap_until_s = 0.0
    late: list[Record] = []
    for channel, time_s, value in records:
        if time_s < gap_until_s:
            continue
        if rng.random() < 0.0005:
            gap_until_s = time_s + rng.uniform(0, 60)
        stamp_s = time_s - 3600.0 if time_s > step_s else time_s
        if channel == "temperature" and rng.random() < 0.0002:
            yield channel, stamp_s, rng.choice([85.0, -127.0, 12.0])
            continue
        if rng.random() < 0.001:
            late.append((channel, stamp_s, value))
            continue
        yield channel, stamp_s, value
        if rng.random() < 0.002:
            yield channel, stamp_s, value
        if late and rng.random() < 0.05:
            yield late.pop()


def config_of(scenario: Scenario) -> Config:
    """Return the configuration that a keeper would write for the tank."""
    spec = scenario.spec
    tank = TankConfig(
        id=spec.tank_id,
        volume_l=spec.volume_l,
        setpoint_c=spec.setpoint_c + round(scenario.offset_k, 1),
        heater_w=spec.heater_w if scenario.rated_known else None,
        low_c=spec.setpoint_c - 2.5,
        high_c=spec.setpoint_c + 2.5,
        light_hours_max=8.0,
        light_window=("08:00", "22:30"),
        probe_interval_s=spec.interval_s,
    )
    return Config(room=RoomConfig(name="Trial"), tank=(tank,))


@dataclass
class Outcome:
    """What was said of one scenario, against what should have been."""

    scenario: Scenario
    steps: list[Transition]
    told_s: float | None
    deadline_s: float
    right: bool
    false: list[Transition]
    readings: int
    seconds: float
    watchdog: Watchdog


def judge(scenario: Scenario) -> Outcome:
    """Run the watchdog over a scenario and compare."""
    config = config_of(scenario)
    dog = Watchdog(config, expects_all=False)
    clock = RoomClock()
    records, sim = records_of(scenario)
    spec = scenario.spec
    hot_c = spec.setpoint_c + spec.hysteresis_k / 2 + 0.1
    cold_c = spec.setpoint_c - spec.hysteresis_k / 2 - 0.05
    deadline_s = scenario.fault_s + scenario.limit_s
    reached_s = math.inf
    steps: list[Transition] = []
    count, spent = 0, 0.0
    for channel, stamp_s, value in records:
        count += 1
        text = value if isinstance(value, str) else None
        reading = Reading("t01", Channel(channel), stamp_s, 0.0 if isinstance(value, str) else value, text)
        began = time.perf_counter()
        dog.advance(clock.see("t01", stamp_s))
        dog.feed(reading)
        spent += time.perf_counter() - began
        if dog.book.has_steps:
            steps += dog.take_steps()
        if sim.time_s > scenario.fault_s and reached_s == math.inf:
            if scenario.hotter_k is not None and sim.water_c > hot_c + scenario.hotter_k:
                reached_s = max(sim.time_s, scenario.fault_s + 2700.0)
            if scenario.colder_k is not None and sim.water_c < cold_c - scenario.colder_k:
                reached_s = sim.time_s
    if scenario.hotter_k is not None or scenario.colder_k is not None:
        deadline_s = reached_s
    if any(fault.kind is FaultKind.PROBE_SILENT for fault in scenario.faults):
        dog.advance(clock.now_s + 1200.0)
        steps += dog.take_steps()
    raised = [s for s in steps if s.alarm.state is AlarmState.UNACKNOWLEDGED]
    false = [s for s in raised if s.time_s < scenario.fault_s or not scenario.expected]
    after = [s for s in raised if s.time_s >= scenario.fault_s and scenario.expected]
    named = [s for s in after if s.alarm.condition in scenario.expected]
    told_s = min((s.time_s for s in after), default=None)
    right = bool(named) and min(s.time_s for s in named) <= deadline_s
    return Outcome(scenario, steps, told_s, deadline_s, right, false, count, spent, dog)


def main() -> None:
    """Print the score table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--healthy", type=int, default=20, help="draws of each healthy kind")
    parser.add_argument("--faulty", type=int, default=6, help="draws of each fault")
    parser.add_argument("--only", help="only this kind")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("-v", action="store_true")
    options = parser.parse_args()
    false_days = false_count = 0.0
    false_names: Counter[str] = Counter()
    readings = spent = 0.0
    total: dict[str, list[int]] = defaultdict(lambda: [0, 0, 0, 0])
    for name in (*HEALTHY, *FAULTS):
        if options.only and name != options.only:
            continue
        wanted = options.healthy if name in HEALTHY else options.faulty
        wrong: Counter[str] = Counter()
        delays = []
        for seed in range(options.seed, options.seed + wanted):
            outcome = judge(draw(name, seed, 6.0 if name in HEALTHY or name == "light-off" else 4.0))
            readings += outcome.readings
            spent += outcome.seconds
            scenario = outcome.scenario
            row = total[name]
            row[0] += 1
            false_days += (
                min(scenario.fault_s - scenario.start_s, scenario.days * DAY_S) / DAY_S
                if scenario.expected
                else scenario.days
            )
            false_count += len(outcome.false)
            false_names.update(s.alarm.condition.value for s in outcome.false)
            show = options.v and outcome.false
            if scenario.expected:
                due = outcome.deadline_s < math.inf
                told = outcome.told_s is not None and outcome.told_s <= outcome.deadline_s
                row[1] += told or (not due and outcome.told_s is None)
                row[2] += outcome.right or (not due and outcome.told_s is None)
                row[3] += not due
                if outcome.told_s is not None:
                    delays.append((outcome.told_s - scenario.fault_s) / 60)
                others = {
                    s.alarm.condition.value
                    for s in outcome.steps
                    if s.time_s >= scenario.fault_s
                    and s.alarm.state is AlarmState.UNACKNOWLEDGED
                    and s.alarm.condition not in scenario.expected
                }
                wrong.update(others)
                show = options.v and (outcome.false or not (outcome.right or not due) or others)
            if show and len(outcome.steps) < 40:
                describe(outcome, seed)
        row = total[name]
        if name in FAULTS:
            middle = sorted(delays)[len(delays) // 2] if delays else math.nan
            print(
                f"{name:16} n={row[0]:3} told in time {row[1]:3} right name {row[2]:3} never due {row[3]:2} "
                f"median {middle:6.0f} min  others: {dict(wrong)}",
                flush=True,
            )
        else:
            print(f"{name:16} n={row[0]:3}", flush=True)
    faults = [row for name, row in total.items() if name in FAULTS]
    drawn = sum(row[0] for row in faults)
    if drawn:
        print(
            f"told in time {sum(r[1] for r in faults) / drawn:.1%}, "
            f"by the right name {sum(r[2] for r in faults) / drawn:.1%}"
        )
    print(
        f"false alarms {false_count:.0f} in {false_days:.0f} tank-days: "
        f"{100 * false_count / max(false_days, 1e-9):.2f} per 100; {dict(false_names)}"
    )
    print(
        f"{readings:.0f} readings, {1e6 * spent / max(readings, 1):.2f} µs each in the watchdog",
        file=sys.stderr,
    )


def describe(outcome: Outcome, seed: int) -> None:
    """Print one outcome with everything that was said."""
    s = outcome.scenario
    print(f"  seed {seed}: {s.spec}")
    print(
        f"    heater {'measured' if s.heater_measured else '-'}, "
        f"air {'measured' if s.air_measured else '-'}, "
        f"rated {'known' if s.rated_known else '-'}, fault at {(s.fault_s - s.start_s) / HOUR_S:.1f} h, "
        f"deadline {(outcome.deadline_s - s.fault_s) / HOUR_S:.2f} h after"
    )
    for step in outcome.steps:
        print(
            f"    {(step.time_s - s.fault_s) / HOUR_S:8.2f} h {step.alarm.condition.value:20} "
            f"{step.alarm.state.value:15} {step.alarm.message[:110]}"
        )


if __name__ == "__main__":
    main()
