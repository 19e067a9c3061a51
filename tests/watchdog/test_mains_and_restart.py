"""The mains told by a probe on a battery; a heater that was on before anybody looked. Data is invented."""

import json

import pytest
from watch_bench import HOUR_S, Bench, tank_config

from tankwatch.alarms.model import AlarmState, Condition
from tankwatch.config import Config, RoomConfig
from tankwatch.reading import Channel, ServiceMark
from tankwatch.watchdog.replay import replay
from tankwatch.watchdog.watchdog import Watchdog

START_S = 1_790_000_000


def packs(mains: "list[bool]") -> list[bytes]:
    """One pack every ten seconds, the mains as given."""
    return [
        json.dumps(
            [
                {"n": "t01/temperature", "u": "Cel", "t": START_S + 10 * i, "v": 25.0},
                {"n": "t01/power", "t": START_S + 10 * i, "vb": there},
            ]
        ).encode()
        for i, there in enumerate(mains)
    ]


def test_mains_that_go_are_told_within_a_minute_and_taken_back() -> None:
    config = Config(room=RoomConfig(name="Trial"), tank=(tank_config(),))
    steps = list(replay(config, packs([True] * 30 + [False] * 30 + [True] * 30)))
    told = [(s.alarm.condition, s.alarm.state, s.time_s - START_S) for s in steps]
    assert [(c, state) for c, state, _ in told] == [
        (Condition.POWER_LOSS, AlarmState.UNACKNOWLEDGED),
        (Condition.POWER_LOSS, AlarmState.RETURNED),
    ]
    assert 300 <= told[0][2] <= 360
    assert 600 <= told[1][2] <= 660


def test_watts_say_whether_the_heater_is_on() -> None:
    bench = Bench()
    bench.send(Channel.TEMPERATURE, 25.0)
    bench.send(Channel.POWER, 148.0)
    assert bench.dog.tank("t01").heater_on
    bench.now_s += 30.0
    bench.send(Channel.POWER, 0.4)  # a plug that draws a little by itself
    assert not bench.dog.tank("t01").heater_on
    assert bench.names() == []


def test_heater_that_was_on_when_the_level_fell_is_told_with_the_next_reading() -> None:
    """Its state is sent only when it changes: no new word of it comes."""
    bench = Bench()
    bench.live(1.0, 25.0)
    bench.send(Channel.HEATER, 1.0)
    bench.live(0.1, 25.0)
    bench.send(Channel.SERVICE, ServiceMark.WATER_OUT.value)
    assert bench.names() == []
    bench.live(0.01, 25.0)
    assert bench.names() == ["heater-exposed"]


def test_heater_unplugged_in_the_same_pack_as_the_mark_is_not_exposed() -> None:
    bench = Bench()
    bench.live(1.0, 25.0, heater=1.0)
    bench.send(Channel.SERVICE, ServiceMark.WATER_OUT.value)
    bench.send(Channel.HEATER, 0.0)
    bench.live(0.5, 25.0, heater=0.0)
    assert bench.names() == []


def learned() -> dict[str, object]:
    """What a day of a healthy thermostat between 24.75 and 25.25 °C teaches."""
    bench = Bench()
    state = {"water": 25.0, "on": 1.0}

    def water(_: float) -> float:
        state["water"] += (0.9 if state["on"] else -0.4) / 120.0
        if state["water"] > 25.25:
            state["on"] = 0.0
        elif state["water"] < 24.75:
            state["on"] = 1.0
        return round(state["water"], 4)

    bench.live(24.0, water, heater=lambda _: state["on"])
    assert bench.names() == []
    return bench.dog.remember()


def test_heater_stuck_on_before_a_restart_is_told_after_it() -> None:
    """The state never changes after the restart: the heater is simply on."""
    memory = json.loads(json.dumps(learned()))
    after = Bench(memory=memory)
    begin_s = after.now_s
    after.live(3.0, lambda now_s: 25.2 + 0.8 * (now_s - begin_s) / HOUR_S, heater=1.0)
    (step, *_) = after.raised(Condition.HEATER_STUCK_ON)
    assert step.alarm.value == pytest.approx(26.0, abs=0.2)


def test_sun_that_warms_faster_than_the_heater_could_is_no_stuck_heater() -> None:
    memory = json.loads(json.dumps(learned()))
    sunny = Bench(memory=memory)
    begin_s = sunny.now_s
    sunny.live(1.2, lambda now_s: 25.0 + 2.2 * (now_s - begin_s) / HOUR_S, heater=0.0)
    assert sunny.names()[0] == "warming-fast"
    assert "heater-stuck-on" not in sunny.names()


def test_cold_water_that_runs_in_is_no_dead_heater() -> None:
    memory = json.loads(json.dumps(learned()))
    poured = Bench(memory=memory)
    begin_s = poured.now_s
    poured.live(0.9, lambda now_s: 25.0 - 2.5 * (now_s - begin_s) / HOUR_S, heater=1.0)
    assert poured.names()[0] == "cooling-fast"
    assert "heater-no-heat" not in poured.names()


def test_an_unknown_tank_is_counted_and_not_judged() -> None:
    dog = Watchdog(Config(room=RoomConfig(name="Trial"), tank=(tank_config(),)))
    dog.take("t99", Channel.TEMPERATURE, float(START_S), 25.0, None)
    assert dog.unknown == {"t99": 1}
