"""The fitted model against temperatures integrated by scipy from the equation that it is meant to solve.

`C dT/dt = P·h(t) - K·(T - T_room) + g(t)`: the integration (scipy.integrate.solve_ivp, adaptive
Runge-Kutta, with the thermostat's switching as its events) shares nothing with the code under test. The
parameters of the tanks are invented; the heat capacity of water is that of IAPWS-95 as tabulated by NIST
(4181.6 J/(kg K) and 997.05 kg/m³ at 25 °C, values from memory, checked in tests/physics).
"""

import json
import math
import random
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from watch_bench import DAY_S, HOUR_S, MIDNIGHT_S, Bench, tank_config

from tankwatch.reading import Channel
from tankwatch.snapshot import Estimate, ModelSnapshot
from tankwatch.watchdog.model import Block, ThermalModel, fit_block, guessed_loss_w_per_k

WATER_J_PER_L_K = 0.99705 * 4181.6


@dataclass(frozen=True)
class TrueTank:
    """A tank as it is."""

    volume_l: float
    heater_w: float
    loss_w_per_k: float
    setpoint_c: float
    hysteresis_k: float
    room_mean_c: float
    room_half_k: float
    lamp_w: float
    noise_c: float
    quantum_c: float

    @property
    def capacity_j_per_k(self) -> float:
        return self.volume_l * WATER_J_PER_L_K

    @property
    def heating_k_per_h(self) -> float:
        return self.heater_w * HOUR_S / self.capacity_j_per_k

    @property
    def loss_per_h(self) -> float:
        return self.loss_w_per_k * HOUR_S / self.capacity_j_per_k

    def room_c(self, time_s: float) -> float:
        return self.room_mean_c + self.room_half_k * math.sin(2 * math.pi * time_s / DAY_S)

    def lamp_on(self, time_s: float) -> bool:
        return 10.0 <= time_s / HOUR_S % 24.0 < 17.0


def draw_tank(seed: int) -> TrueTank:
    """Draw a tank whose heater has something to do and can hold it."""
    rng = random.Random(f"model/{seed}")
    volume_l = math.exp(rng.uniform(math.log(30), math.log(500)))
    side_m = (volume_l / 2000.0) ** (1 / 3)
    loss = rng.uniform(4.0, 9.0) * 10 * side_m * side_m
    setpoint_c, room_c = rng.uniform(23.0, 28.0), rng.uniform(17.0, 21.0)
    return TrueTank(
        volume_l=volume_l,
        heater_w=loss * (setpoint_c - room_c + 2.0) * rng.uniform(1.4, 2.5),
        loss_w_per_k=loss,
        setpoint_c=setpoint_c,
        hysteresis_k=rng.choice([0.3, 0.5, 0.7]),
        room_mean_c=room_c,
        room_half_k=rng.uniform(0.5, 2.0),
        lamp_w=rng.uniform(0.0, 0.03) * volume_l,
        noise_c=rng.choice([0.0, 0.01, 0.03]),
        quantum_c=rng.choice([0.0625, 0.01]),
    )


def integrate(
    tank: TrueTank, hours: float, step_s: float = 60.0
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return stamps (s), true water temperatures (°C) and heater states, one every `step_s`.

    From one switching of thermostat or lamp to the next the right-hand side is smooth.
    """
    times = np.arange(0.0, hours * HOUR_S, step_s)
    water, state = np.empty_like(times), np.zeros_like(times)
    start_s, start_c, on = 0.0, tank.setpoint_c, False
    lamp_switches = sorted(
        DAY_S * day + HOUR_S * hour for day in range(int(hours / 24) + 1) for hour in (10.0, 17.0)
    )
    while start_s < times[-1]:
        end_s = next((s for s in lamp_switches if s > start_s + 1e-6), times[-1])
        end_s = min(end_s, times[-1])
        power = tank.heater_w if on else 0.0
        lamp_w = tank.lamp_w if tank.lamp_on((start_s + end_s) / 2) else 0.0
        goal_c = tank.setpoint_c + (0.5 if on else -0.5) * tank.hysteresis_k

        def slope(t: float, y: np.ndarray, gain_w: float = power + lamp_w) -> list[float]:
            return [(gain_w - tank.loss_w_per_k * (y[0] - tank.room_c(t))) / tank.capacity_j_per_k]

        def switches(t: float, y: np.ndarray, goal_c: float = goal_c) -> float:
            return float(y[0] - goal_c)

        switches.terminal = True  # type: ignore[attr-defined]
        switches.direction = 1.0 if on else -1.0  # type: ignore[attr-defined]
        part = solve_ivp(
            slope, (start_s, end_s), [start_c], events=switches, dense_output=True, rtol=1e-8, max_step=3600.0
        )
        within = (times >= start_s) & (times <= part.t[-1])
        water[within] = part.sol(times[within])[0]
        state[within] = on
        if part.t_events[0].size:
            on = not on
        start_s, start_c = float(part.t[-1]), float(part.y[0, -1])
    return times, water, state


def probe(tank: TrueTank, water: np.ndarray, seed: int) -> np.ndarray:
    """Return what a probe makes of the water: noise, then its quantum."""
    noisy = water + np.random.default_rng(seed).normal(0.0, tank.noise_c, water.size)
    return np.asarray(np.round(noisy / tank.quantum_c) * tank.quantum_c)


def block_of(tank: TrueTank, first_h: float, hours: float, seed: int = 1) -> Block | None:
    """Fit the readings of `hours`, after the first cycles have settled."""
    times, water, state = integrate(tank, first_h + hours)
    seen = probe(tank, water, seed)
    on_s = np.concatenate([np.cumsum(state[:-1] * np.diff(times)), [0.0]])
    on_s[-1] = on_s[-2]
    part = times >= first_h * HOUR_S
    air_c = float(np.mean([tank.room_c(t) for t in times[part]]))
    return fit_block(list(times[part]), list(seen[part]), list(on_s[part]), air_c=air_c, light=0.0)


PLAIN = TrueTank(
    volume_l=120.0,
    heater_w=150.0,
    loss_w_per_k=8.0,
    setpoint_c=25.0,
    hysteresis_k=0.5,
    room_mean_c=20.0,
    room_half_k=0.0,
    lamp_w=0.0,
    noise_c=0.01,
    quantum_c=0.0625,
)

# --- one block ---


def test_one_block_gives_heating_and_loss() -> None:
    block = block_of(PLAIN, 2.0, 4.0)
    assert block is not None
    assert block.heating_k_per_h == pytest.approx(PLAIN.heating_k_per_h, rel=0.03)
    assert block.cooling_k_per_h == pytest.approx(PLAIN.loss_per_h * 5.0, rel=0.03)
    assert block.water_c == pytest.approx(25.0, abs=0.1)


@pytest.mark.parametrize("seed", range(4))
def test_one_blocks_uncertainty_is_honest(seed: int) -> None:
    """Within three standard uncertainties, and three parts in a hundred for lag and mixing."""
    tank = draw_tank(seed)
    block = block_of(tank, 6.0, 4.0, seed)
    assert block is not None
    assert block.heating_k_per_h is not None
    allowed = 3.0 * block.heating_sigma + 0.03 * tank.heating_k_per_h
    assert abs(block.heating_k_per_h - tank.heating_k_per_h) < allowed


def steady_lines(
    minutes: int, rate_k_per_h: float, *, on: bool
) -> tuple[list[float], list[float], list[float]]:
    times = [60.0 * i for i in range(minutes)]
    water = [25.0 + rate_k_per_h * i / 60.0 for i in range(minutes)]
    return times, water, [60.0 * (i + 1) if on else 0.0 for i in range(minutes)]


def test_a_block_too_short_is_refused() -> None:
    assert fit_block(*steady_lines(11, -0.3, on=False), air_c=20.0, light=0.0) is None


def test_a_heater_that_never_stops_tells_nothing() -> None:
    """Always on: what it gives and what the tank loses cannot be told apart."""
    assert fit_block(*steady_lines(120, 0.4, on=True), air_c=20.0, light=0.0) is None


def test_a_heater_that_never_starts_tells_the_cooling() -> None:
    block = fit_block(*steady_lines(120, -0.3, on=False), air_c=20.0, light=0.0)
    assert block is not None
    assert block.heating_k_per_h is None
    assert block.cooling_k_per_h == pytest.approx(0.3, rel=1e-3)


def test_a_heating_lost_in_noise_is_refused() -> None:
    rng = random.Random(1)
    times = [60.0 * i for i in range(90)]
    water = [25.0 + rng.gauss(0.0, 0.4) for _ in times]
    on_s = [60.0 * min(i, 10) for i in range(90)]
    assert fit_block(times, water, on_s, air_c=20.0, light=0.0) is None


# --- the model of blocks ---


def plain_block(
    hour: float, air_c: float | None = 20.0, *, heating: float | None = 1.08, **other: float
) -> Block:
    k = PLAIN.loss_per_h
    given = {"water_c": 25.0, "light": 0.0, "heating_sigma": 0.02, "cooling_sigma": 0.01, **other}
    return Block(
        time_h=hour,
        heating_k_per_h=heating,
        heating_sigma=given["heating_sigma"],
        cooling_k_per_h=given.get("cooling", k * (25.0 - (air_c if air_c is not None else 20.0))),
        cooling_sigma=given["cooling_sigma"],
        water_c=given["water_c"],
        air_c=air_c,
        light=given["light"],
    )


def test_before_any_block_the_rating_speaks() -> None:
    model = ThermalModel(120.0, 150.0)
    heating = model.heating_k_per_h
    assert heating is not None
    assert not model.heating_is_measured
    full = 150.0 * HOUR_S / (120.0 * WATER_J_PER_L_K)
    assert abs(heating.value - full) < heating.uncertainty
    assert model.loss() is None
    assert ThermalModel(120.0, None).heating_k_per_h is None


def test_one_bad_block_does_not_move_the_heating() -> None:
    model = ThermalModel(120.0, 150.0)
    for hour in range(20):
        model.learn(plain_block(hour, heating=3.0 if hour == 7 else 1.08))
    assert model.heating_k_per_h is not None
    assert model.heating_k_per_h.value == pytest.approx(1.08)


def test_what_is_new_outweighs_what_is_old() -> None:
    """A new heater after two weeks: the old blocks have faded."""
    model = ThermalModel(120.0, None)
    for hour in range(20):
        model.learn(plain_block(hour, heating=1.08))
    for hour in range(10):
        model.learn(plain_block(24.0 * 14 + hour, heating=1.6))
    assert model.heating_k_per_h is not None
    assert model.heating_k_per_h.value == pytest.approx(1.6)


def test_without_an_air_temperature_there_is_no_loss() -> None:
    model = ThermalModel(120.0, 150.0)
    for hour in range(6):
        model.learn(plain_block(hour, air_c=None))
    assert model.loss() is None
    assert model.cooling_k_per_h(25.0, 20.0) is None


def test_a_room_that_never_changes_leaves_the_loss_uncertain() -> None:
    """With one difference only, loss and steady gain cannot be told apart: the figure says so."""

    def loss_of(rooms: list[float]) -> Estimate:
        model = ThermalModel(120.0, 150.0)
        for hour, air_c in enumerate(rooms):
            model.learn(plain_block(hour, air_c))
        found = model.loss()
        assert found is not None
        return found[0]

    still, moving = loss_of([20.0] * 20), loss_of([16.0, 24.0] * 10)
    assert moving.uncertainty < still.uncertainty
    for loss in (still, moving):
        assert abs(loss.value - PLAIN.loss_per_h) < 2.0 * loss.uncertainty


def test_blocks_since_a_fault_are_forgotten() -> None:
    model = ThermalModel(120.0, 150.0)
    for hour in range(10):
        model.learn(plain_block(hour, heating=1.08 if hour < 6 else 0.5))
    model.forget_since(6.0)
    assert len(model.blocks) == 6
    assert model.heating_k_per_h is not None
    assert model.heating_k_per_h.value == pytest.approx(1.08)


def test_the_model_survives_json() -> None:
    old = ThermalModel(120.0, 150.0)
    for hour in range(30):
        old.learn(plain_block(hour, 18.0 + hour % 5, light=(hour % 2) * 1.0))
    old.learn(plain_block(31.0, None, heating=None))
    new = ThermalModel(120.0, 150.0)
    new.recall(json.loads(json.dumps(old.remember())))
    assert new.blocks == old.blocks
    assert new.heating_k_per_h == old.heating_k_per_h
    assert new.loss() == old.loss()


def test_a_memory_of_another_shape_is_left_out() -> None:
    model = ThermalModel(120.0, 150.0)
    model.recall([[1.0, 2.0, 3.0], list(plain_block(1.0))])
    assert model.blocks == [plain_block(1.0)]


def test_the_first_guess_of_the_loss_is_that_of_a_small_glass_tank() -> None:
    """Within half of the 6.0 W/K of a 64.8 L tank by handbook films (row `tank.tau` of the check values)."""
    assert guessed_loss_w_per_k(64.8) == pytest.approx(6.0, rel=0.5)


# --- the whole watch on integrated temperatures ---


@cache
def learned(seed: int, days: float = 2.0) -> tuple[TrueTank, ModelSnapshot]:
    """Return what the watch has learned of a drawn tank in `days`."""
    tank = draw_tank(seed)
    times, water, state = integrate(tank, 24.0 * days)
    seen = probe(tank, water, seed)
    config = tank_config(
        volume_l=tank.volume_l,
        setpoint_c=tank.setpoint_c,
        heater_w=None,
        low_c=tank.setpoint_c - 2.0,
        high_c=tank.setpoint_c + 2.0,
        probe_interval_s=60.0,
    )
    bench = Bench((config,))
    for time_s, value_c, on in zip(times, seen, state, strict=True):
        bench.now_s = MIDNIGHT_S + float(time_s)
        bench.send(Channel.TEMPERATURE, float(value_c))
        bench.send(Channel.HEATER, float(on))
        bench.send(Channel.LIGHT, float(tank.lamp_on(float(time_s))))
        bench.send(Channel.AIR, tank.room_c(float(time_s)))
    assert bench.names() == [], f"a healthy tank: {tank}"
    return tank, bench.dog.tanks(bench.now_s)[0].model


DRAWS = 20


@pytest.mark.parametrize("quantity", ["heater_w", "loss_w_per_k", "time_constant_h"])
def test_power_loss_and_time_constant_are_recovered(quantity: str) -> None:
    """Within the expanded uncertainty (coverage factor 2, GUM, JCGM 100:2008, 6.2) in nine of ten draws."""
    errors, within = [], 0
    for seed in range(DRAWS):
        tank, model = learned(seed)
        estimate = getattr(model, quantity)
        assert estimate is not None
        truth = {
            "heater_w": tank.heater_w,
            "loss_w_per_k": tank.loss_w_per_k,
            "time_constant_h": 1.0 / tank.loss_per_h,
        }[quantity]
        errors.append(abs(estimate.value - truth) / truth)
        within += abs(estimate.value - truth) <= 2.0 * estimate.uncertainty
    assert within >= 0.9 * DRAWS
    assert float(np.mean(errors)) < 0.10


def test_duty_and_forecasts_agree_with_the_equation() -> None:
    """What the model foretells, against the closed solution of the same equation with the true parameters."""
    close = 0
    for seed in range(DRAWS):
        tank, model = learned(seed)
        assert model.expected_duty is not None
        assert model.stuck_on_c is not None
        assert model.coldest_room_c is not None
        assert model.minutes_to_low is not None
        room_c = tank.room_c(48.0 * HOUR_S)
        duty = tank.loss_w_per_k * (tank.setpoint_c - room_c) / tank.heater_w
        lift_k = tank.heater_w / tank.loss_w_per_k
        assert model.expected_duty.value == pytest.approx(duty, abs=0.15)
        # From the usual middle of the cycle to the limit: T = T_room + (T0 - T_room)·exp(-t/tau).
        fall_h = math.log((tank.setpoint_c - room_c) / (tank.setpoint_c - 2.0 - room_c)) / tank.loss_per_h
        edge_h = tank.hysteresis_k / (tank.loss_per_h * (tank.setpoint_c - room_c))
        assert model.minutes_to_low.value == pytest.approx(60.0 * fall_h, rel=0.2, abs=60.0 * edge_h)
        close += abs(model.stuck_on_c.value - room_c - lift_k) <= 2.0 * model.stuck_on_c.uncertainty
        assert (
            abs(model.coldest_room_c.value - tank.setpoint_c + lift_k)
            <= 3.5 * model.coldest_room_c.uncertainty
        )
    assert close >= 0.9 * DRAWS


def test_the_integration_itself_is_right() -> None:
    """No heat: the closed solution; with heat: the cycle time of the energy balance."""
    cold = TrueTank(120.0, 0.0, 8.0, 25.0, 10.0, 20.0, 0.0, 0.0, 0.0, 0.01)
    times, water, _ = integrate(cold, 6.0)
    exact = 20.0 + 5.0 * np.exp(-times * cold.loss_w_per_k / cold.capacity_j_per_k)
    assert np.abs(water - exact).max() < 1e-4
    times, _, state = integrate(PLAIN, 24.0)
    starts = times[1:][np.diff(state) > 0]
    loss_w = PLAIN.loss_w_per_k * 5.0
    period_s = PLAIN.capacity_j_per_k * 0.5 * (1 / loss_w + 1 / (PLAIN.heater_w - loss_w))
    assert np.mean([b - a for a, b in pairwise(starts)]) == pytest.approx(period_s, rel=0.02)
