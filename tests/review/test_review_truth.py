"""What the review says of simulated nights, against what the simulation did."""

from collections import Counter
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from nights import BEGIN_S, HOUR_S, LEAD_H, SPAN, Night, draw, kept_and_reviewed
from scipy.integrate import quad

from tankwatch.review.review import TankReview
from tankwatch.simulate.room import RoomAir
from tankwatch.simulate.tank import Fault, FaultKind, TankSpec

KINDS = ("stuck-on", "stuck-on-unseen", "dead-element", "unplugged", "power-cut", "cold-room", "water-change")
DRAWS = [(kind, seed) for kind in KINDS for seed in range(3)]


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[str, Night, TankReview]]:
    """Return kind, truth and review of each draw."""
    found = []
    for kind, seed in DRAWS:
        night = draw(kind, seed)
        others = []
        if kind == "power-cut":  # a tank of its own would be an unplugged one: its neighbour tells
            neighbour = draw(kind, seed + 50)
            neighbour.faults = night.faults
            others.append(neighbour.live())
        room = kept_and_reviewed(tmp_path_factory.mktemp("night"), night, *others)
        found.append((kind, night, next(t for t in room.tanks if t.tank.id == night.spec.tank_id)))
    return found


def test_the_cause_is_right_in_nine_of_ten_draws(reviewed: list[tuple[str, Night, TankReview]]) -> None:
    right: Counter[str] = Counter()
    wrong = []
    for kind, night, tank in reviewed:
        said = [i.believed.cause if i.believed else None for i in tank.incidents]
        if said == [night.cause]:
            right[kind] += 1
        else:
            wrong.append(f"{kind} {night.spec.tank_id}: {said}")
    print(f"{sum(right.values())} of {len(reviewed)} right; wrong: {wrong}")
    assert sum(right.values()) >= 0.9 * len(reviewed), wrong
    assert all(right[kind] for kind in KINDS), wrong


def test_the_onset_is_within_two_intervals_or_five_minutes(
    reviewed: list[tuple[str, Night, TankReview]],
) -> None:
    errors_min = []
    for kind, night, tank in reviewed:
        if not night.onset_s:  # a cold room comes gradually: nobody can say when it began
            continue
        allowed_s = max(2 * night.spec.interval_s, 300.0)
        onset_s = tank.incidents[0].course.onset_s
        error_s = min((onset_s - truth_s for truth_s in night.onset_s), key=abs)
        assert abs(error_s) <= allowed_s, f"{kind} {night.spec.tank_id}: {error_s / 60:.1f} min"
        errors_min.append(abs(error_s) / 60.0)
    print(f"onset: median error {np.median(errors_min):.1f} min, largest {max(errors_min):.1f} min")
    assert len(errors_min) == 18


def test_extremes_are_within_a_quantum_of_the_true_water(
    reviewed: list[tuple[str, Night, TankReview]],
) -> None:
    for kind, night, tank in reviewed:
        truth = night.water_c[night.time_s >= SPAN.from_s]
        assert tank.water is not None
        assert abs(tank.water.least_c - truth.min()) <= night.spec.quantum_c, kind
        assert abs(tank.water.greatest_c - truth.max()) <= night.spec.quantum_c, kind


def test_turning_point_and_recovery_are_those_of_the_true_water(
    reviewed: list[tuple[str, Night, TankReview]],
) -> None:
    for kind, night, tank in reviewed:
        if kind not in ("stuck-on", "dead-element", "unplugged"):
            continue
        end_s = night.faults[0].end_s
        course = tank.incidents[0].course
        if end_s < SPAN.to_s:
            assert abs(course.turn_s - end_s) <= 900.0, kind  # the curve is flat there
            assert course.recovery_s is None or course.recovery_s > end_s


def test_degree_hours_are_within_two_percent_of_an_integral_of_the_true_curve(
    reviewed: list[tuple[str, Night, TankReview]],
) -> None:
    compared = 0
    for kind, night, tank in reviewed:
        if kind == "water-change":
            continue
        for sign, limit_c in ((1.0, tank.tank.band_high_c), (-1.0, tank.tank.band_low_c)):
            truth = _integral_kh(night, sign, limit_c)
            water = tank.water
            assert water is not None
            said = water.degree_hours_above if sign > 0 else water.degree_hours_below
            # Below a quarter of a degree-hour the rounding of the probe is more than two percent of it.
            assert abs(said - truth) <= max(0.02 * truth, 0.005), f"{kind} {said:.3f} for {truth:.3f} K·h"
            compared += truth > 0.25
    assert compared >= 8


def _integral_kh(night: Night, sign: float, limit_c: float) -> float:
    """Return the degree-hours of the true curve, by scipy's adaptive quadrature over it, K·h."""
    hours = (night.time_s - SPAN.from_s) / HOUR_S

    def excess(hour: float) -> float:
        return max(sign * (float(np.interp(hour, hours, night.water_c)) - limit_c), 0.0)

    parts = np.linspace(0.0, 12.0, 49)
    return float(sum(quad(excess, a, b, epsabs=1e-5, limit=60)[0] for a, b in pairwise(parts)))


def test_a_healthy_night_needs_nobody(tmp_path: Path) -> None:
    air = RoomAir(mean_c=20.0, start_s=BEGIN_S - LEAD_H * HOUR_S, days=3, seed=4)
    night = Night(TankSpec("t01"), air, seed=4).live()
    room = kept_and_reviewed(tmp_path, night)
    tank = room.tanks[0]
    assert tank.incidents == ()
    assert tank.gaps == ()
    assert not room.needs_attention
    heater = tank.heater
    assert heater is not None
    assert heater.expected_duty is not None
    assert heater.duty == pytest.approx(heater.expected_duty, abs=0.08)
    on_h = sum(r.value for r in night.readings if r.channel == "heater" and r.time_s > SPAN.from_s) / 360.0
    assert heater.energy_kwh == pytest.approx(0.150 * on_h, rel=0.01)
    assert heater.wasted_kwh == pytest.approx(0.0, abs=0.001)


@pytest.mark.parametrize(("kind", "warm"), [(FaultKind.STUCK_ON, True), (FaultKind.UNPLUGGED, False)])
def test_two_smaller_heaters_would_have_done_what_a_simulation_of_them_does(
    tmp_path: Path, kind: FaultKind, warm: bool
) -> None:
    air = RoomAir(mean_c=19.0, start_s=BEGIN_S - LEAD_H * HOUR_S, days=3, seed=9)
    fault = Fault(kind, BEGIN_S + 2 * HOUR_S, BEGIN_S + 8 * HOUR_S)
    night = Night(TankSpec("t01"), air, (fault,), seed=9).live()
    incident = kept_and_reviewed(tmp_path, night).tanks[0].incidents[0]
    assert incident.what_if is not None
    assert incident.what_if.each_w == 75.0
    furthest = _two_heaters(night, incident.course.onset_s, fault.end_s, warm)
    assert incident.what_if.furthest_c == pytest.approx(furthest, abs=0.15)
    assert abs(incident.what_if.furthest_c - 25.0) < abs(incident.course.turn_c - 25.0) - 0.8


def _two_heaters(night: Night, from_s: float, to_s: float, warm: bool) -> float:
    """Return the furthest temperature with two heaters of half the power, one of them failing."""
    spec, dt = night.spec, 10.0
    water = float(np.interp(from_s, night.time_s, night.water_c))
    calls = not warm
    furthest, time_s = water, from_s
    while time_s < to_s:
        if water > spec.setpoint_c + spec.hysteresis_k / 2:
            calls = False
        elif water < spec.setpoint_c - spec.hysteresis_k / 2:
            calls = True
        power = spec.heater_w / 2 * (warm + calls)
        loss = spec.loss_w_per_k * (water - night.air.temperature_c(time_s))
        water += dt * (power - loss) / (spec.volume_l * 4168.0)
        furthest = max(furthest, water) if warm else min(furthest, water)
        time_s += dt
    return furthest


def test_heat_wasted_by_a_stuck_heater_is_what_the_tank_did_not_need(tmp_path: Path) -> None:
    air = RoomAir(mean_c=20.0, daily_k=0.0, weather_k=0.0, start_s=BEGIN_S - LEAD_H * HOUR_S, days=3)
    fault = Fault(FaultKind.STUCK_ON, BEGIN_S + 2 * HOUR_S, BEGIN_S + 7 * HOUR_S)
    night = Night(TankSpec("t01"), air, (fault,), seed=2).live()
    tank = kept_and_reviewed(tmp_path, night).tanks[0]
    course = tank.incidents[0].course
    hours = (course.turn_s - course.onset_s) / HOUR_S
    part = (night.time_s >= course.onset_s) & (night.time_s <= course.turn_s)
    needed_w = night.spec.loss_w_per_k * float((night.water_c[part] - 20.0).mean())
    assert tank.heater is not None
    assert tank.heater.wasted_kwh == pytest.approx((150.0 - needed_w) * hours / 1000.0, rel=0.05)
