"""A room whose power goes: one alarm for all its tanks. Twelve invented tanks, each at its own pace."""

from copy import deepcopy
from dataclasses import dataclass, field
from functools import cache

from watch_bench import HOUR_S, Bench, Thermostat, tank_config

from tankwatch.alarms.model import Condition, Priority
from tankwatch.reading import Channel

COUNT = 12


@dataclass
class Room:
    """Twelve tanks on one bench, stepped together."""

    count: int = COUNT
    bench: Bench = field(init=False)
    tanks: list[Thermostat] = field(init=False)

    def __post_init__(self) -> None:
        ids = [f"t{i:02}" for i in range(1, self.count + 1)]
        self.bench = Bench(tuple(tank_config(tank_id, probe_interval_s=60.0) for tank_id in ids))
        self.tanks = [
            Thermostat(
                self.bench,
                tank_id,
                water_c=24.8 + 0.03 * i,
                heating_k_per_h=0.9 + 0.04 * i,
                cooling_k_per_h=0.3 + 0.02 * i,
                on=i % 3 == 0,
            )
            for i, tank_id in enumerate(ids)
        ]

    def live(
        self, hours: float, *, power: bool = True, probes: bool = True, dark: tuple[str, ...] = ()
    ) -> None:
        """Let the room live; `dark`: tanks whose heater alone is without power."""
        bench = self.bench
        until_s = bench.now_s + hours * HOUR_S
        while bench.now_s < until_s - 1e-6:
            bench.now_s += 60.0
            for tank in self.tanks:
                tank.step(60.0, held=None if power and tank.tank not in dark else False)
                if probes:
                    tank.tell()
            if not probes:
                bench.dog.advance(bench.now_s)
        if not probes:
            bench.wait(0.0)
            bench.clock.now_s = bench.now_s
            bench.steps += bench.dog.take_steps()


def healthy(hours: float = 14.0) -> Room:
    """Return a room that has run for `hours`, and on until three tanks are in the middle of heating."""
    return deepcopy(_healthy(hours))


@cache
def _healthy(hours: float) -> Room:
    room = Room()
    room.live(hours)
    until_s = room.bench.now_s + 12 * HOUR_S
    while sum(tank.on and tank.water_c < 25.0 for tank in room.tanks) < 3:
        assert room.bench.now_s < until_s
        room.live(1 / 60)
    assert room.bench.names() == []
    return room


def test_heaters_that_go_off_together_are_one_power_loss() -> None:
    """The probes run on from a battery: all heaters off, some of them in the middle of heating."""
    room = healthy()
    began_s = room.bench.now_s
    room.live(2.0, power=False)
    (step,) = room.bench.raised()
    alarm = step.alarm
    assert alarm.condition is Condition.POWER_LOSS
    assert alarm.tank is None
    assert alarm.priority is Priority.CRITICAL
    assert step.time_s - began_s <= 900.0
    assert alarm.margin_min is not None
    assert 0.0 < alarm.margin_min < 12 * 60.0, "the first tank's way to its low limit"
    assert "licensed" in alarm.message


def test_a_power_loss_that_caught_few_heaters_on_is_found_later() -> None:
    """Nothing tells it at once when no heater was on: the first tanks that miss their heat do."""
    room = healthy()
    while any(tank.on for tank in room.tanks):
        room.live(1 / 60)
    room.live(6.0, power=False)
    assert "power-loss" in room.bench.names()
    single = room.bench.raised(Condition.HEATER_NO_HEAT)
    assert len(single) <= COUNT // 3
    assert len(room.bench.ended(Condition.HEATER_NO_HEAT)) == len(single), "taken up by the power loss"
    assert set(room.bench.names()) <= {"heater-no-heat", "power-loss"}


def test_what_follows_of_a_power_loss_is_folded_into_it() -> None:
    """Six hours without heat: every tank gets too cold, and still there is one alarm."""
    room = healthy()
    room.live(6.0, power=False)
    assert min(tank.water_c for tank in room.tanks) < 23.0
    assert room.bench.names() == ["power-loss"]
    alarm = room.bench.dog.book.active(None, Condition.POWER_LOSS)
    assert alarm is not None
    assert "too-cold" in alarm.evidence["consequences"]


def test_probes_that_die_with_the_power_are_one_power_loss() -> None:
    room = healthy()
    began_s = room.bench.now_s
    room.live(1.0, power=False, probes=False)
    (step,) = room.bench.raised()
    assert step.alarm.condition is Condition.POWER_LOSS
    assert step.alarm.tank is None
    assert step.time_s - began_s <= 900.0
    assert step.alarm.value == COUNT


def test_power_that_comes_back_ends_it_and_raises_nothing() -> None:
    room = healthy()
    room.live(2.0, power=False)
    room.live(8.0)
    assert room.bench.names() == ["power-loss"]
    assert len(room.bench.ended(Condition.POWER_LOSS)) == 1


def test_probes_that_come_back_with_the_power_end_it() -> None:
    room = healthy()
    room.live(1.5, power=False, probes=False)
    room.live(8.0)
    assert room.bench.names() == ["power-loss"]
    assert len(room.bench.ended(Condition.POWER_LOSS)) == 1


def test_two_heaters_of_twelve_are_their_own_fault() -> None:
    room = healthy()
    room.live(5.0, dark=("t03", "t09"))
    assert "power-loss" not in room.bench.names()
    assert {step.alarm.tank for step in room.bench.raised(Condition.HEATER_NO_HEAT)} == {"t03", "t09"}
    assert set(room.bench.names()) == {"heater-no-heat"}


def test_one_silent_probe_of_twelve_is_its_own_fault() -> None:
    room = healthy(4.0)
    lost = room.tanks.pop()
    room.live(0.5)
    (step,) = room.bench.raised()
    assert (step.alarm.condition, step.alarm.tank) == (Condition.PROBE_SILENT, lost.tank)


def test_heaters_that_stop_one_after_the_other_in_a_warm_room_lose_no_power() -> None:
    """A heat wave: every thermostat stops at its own top and nothing is missing."""
    room = healthy()
    for tank in room.tanks:
        tank.cooling_k_per_h = -0.02
    room.live(12.0)
    assert room.bench.names() == []


def test_both_probes_of_a_room_of_two_fall_silent_together() -> None:
    room = Room(count=2)
    room.live(14.0)
    room.live(1.0, power=False, probes=False)
    assert room.bench.names() == ["power-loss"]


def test_one_of_two_probes_is_its_own_fault() -> None:
    room = Room(count=2)
    room.live(4.0)
    room.tanks.pop()
    room.live(0.5)
    assert room.bench.names() == ["probe-silent"]


def test_a_lost_source_explains_its_silent_probes() -> None:
    """Nobody looks for twelve dead probes when the broker is gone: the source tells it once."""
    bench = Bench(
        tuple(
            tank_config(
                f"t{i}", channel=({"kind": "temperature", "source": "broker", "topic": f"t{i}/temperature"},)
            )
            for i in range(2)
        ),
        sources=({"id": "broker", "kind": "mqtt", "host": "127.0.0.1"},),
    )
    for _ in range(60):
        bench.now_s += 60.0
        for i in range(2):
            bench.send(Channel.TEMPERATURE, 25.0, tank=f"t{i}")
    bench.dog.tell_self(Condition.SOURCE_LOST, True, bench.now_s, "broker: no answer", subject="broker")
    bench.wait(3600.0)
    assert bench.names() == ["source-lost"]
    bench.dog.tell_self(Condition.SOURCE_LOST, False, bench.now_s, "", subject="broker")
    bench.wait(900.0)
    # The broker is back, and still neither probe sends: whatever they share has failed.
    assert bench.names() == ["source-lost", "power-loss"]
