"""Simulated nights with a known truth, for the tests of the review; all of it is invented.

The truth is what the simulation did: the water at every step, and the moment since when heat came, or failed
to come, against the thermostat.
"""

import random
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tankwatch.config import Config, RoomConfig, StoreConfig, TankConfig
from tankwatch.reading import Channel, Reading
from tankwatch.review.cause import Cause
from tankwatch.review.review import RoomReview, review_room
from tankwatch.review.span import Span
from tankwatch.simulate.room import AirEvent, RoomAir
from tankwatch.simulate.tank import Fault, FaultKind, TankSim, TankSpec, Work
from tankwatch.store.bulk import write_history
from tankwatch.store.reader import StoreReader

HOUR_S = 3600.0
BEGIN_S = 1_790_020_800.0
"""20:00 UTC on 2026-09-21, when the night begins."""
SPAN = Span(BEGIN_S, BEGIN_S + 12 * HOUR_S, "Night of 2026-09-21")
LEAD_H = 22.0


@dataclass
class Night:
    """One tank, what happens to it, and the truth of it."""

    spec: TankSpec
    air: RoomAir
    faults: tuple[Fault, ...] = ()
    works: tuple[Work, ...] = ()
    heater: bool = True
    air_measured: bool = True
    seed: int = 1
    cause: Cause | None = None
    time_s: NDArray[np.float64] = field(init=False)
    water_c: NDArray[np.float64] = field(init=False)
    """True water, °C."""
    readings: list[Reading] = field(init=False)
    onset_s: tuple[float, ...] = field(init=False, default=())
    """Since when heat came, or failed to come, against the thermostat; for service its begin.

    Two times: a heater that fails as it would have switched anyway, within 0.05 K, has done nothing unusual
    until its next switch is due, so either moment is right.
    """

    def live(self, until_s: float = SPAN.to_s) -> "Night":
        """Simulate it; the first `LEAD_H` hours before the night are healthy."""
        begin_s = BEGIN_S - LEAD_H * HOUR_S
        sim = TankSim(self.spec, self.air, begin_s, seed=self.seed, faults=self.faults, works=self.works)
        times, truth, heated, readings = [], [], [], []
        while sim.time_s < until_s:
            sim.advance(sim.time_s + self.spec.interval_s)
            times.append(sim.time_s)
            truth.append(sim.water_c)
            heated.append(sim.heat_w > 0.5 * self.spec.heater_w)
            readings += self._read(sim, sim.time_s)
        if self.faults:
            self.onset_s = (
                self._true_onset(times, truth, heated, 0.0),
                self._true_onset(times, truth, heated, 0.05),
            )
        self.time_s, self.water_c, self.readings = np.array(times), np.array(truth), readings
        return self

    def _true_onset(
        self, times: list[float], truth: list[float], heated: list[bool], slack_k: float
    ) -> float:
        """Return since when heat came, or failed to come, against the thermostat, for the longest time.

        A switch within `slack_k` of the thermostat's own points counts as its own.
        """
        half_k = self.spec.hysteresis_k / 2
        on_at, off_at = self.spec.setpoint_c - half_k, self.spec.setpoint_c + half_k
        wish = before = heated[0]
        begun_s, longest_s, onset_s = times[0], 0.0, float("nan")
        for time_s, water_c, heat in zip(times, truth, heated, strict=True):
            switched_off_as_usual = before and not heat and water_c > off_at - slack_k
            switched_on_as_usual = heat and not before and water_c < on_at + slack_k
            if water_c > off_at or switched_off_as_usual:
                wish = False
            elif water_c < on_at or switched_on_as_usual:
                wish = True
            if heat is wish:
                begun_s = time_s
            elif time_s - begun_s > longest_s:
                longest_s, onset_s = time_s - begun_s, begun_s
            before = heat
        return onset_s

    def _read(self, sim: TankSim, now_s: float) -> list[Reading]:
        tank = self.spec.tank_id
        value = sim.probe_c()
        found = []
        if value is not None:
            found.append(Reading(tank, Channel.TEMPERATURE, now_s, value))
        if self.heater:
            found.append(Reading(tank, Channel.HEATER, now_s, float(sim.heater_on)))
        found.append(Reading(tank, Channel.LIGHT, now_s, float(sim.light_on)))
        if self.air_measured:
            air_c = round(self.air.temperature_c(now_s) / 0.0625) * 0.0625
            found.append(Reading(tank, Channel.AIR, now_s, air_c))
        for work in self.works:
            for at_s, word in ((work.start_s, "water-out"), (work.end_s, "end")):
                if now_s - self.spec.interval_s < at_s <= now_s:
                    found.append(Reading(tank, Channel.SERVICE, now_s, 0.0, word, source="Ane"))
        return found

    @property
    def config(self) -> TankConfig:
        spec = self.spec
        return TankConfig(
            id=spec.tank_id,
            volume_l=spec.volume_l,
            setpoint_c=spec.setpoint_c,
            heater_w=spec.heater_w,
            low_c=spec.setpoint_c - 1.5,
            high_c=spec.setpoint_c + 1.5,
            light_window=("10:00", "20:00"),
            probe_interval_s=spec.interval_s,
        )


def config_of(path: Path, *nights: Night) -> Config:
    return Config(
        room=RoomConfig(name="Trial room"),
        store=StoreConfig(path=path),
        tank=tuple(night.config for night in nights),
    )


def kept_and_reviewed(folder: Path, *nights: Night, span: Span = SPAN) -> RoomReview:
    """Write the nights to a store of their own and review it."""
    path = folder / "room.db"
    write_history(path, (reading for night in nights for reading in night.readings))
    return review_room(config_of(path, *nights), StoreReader(path), span, span.to_s)


def draw(kind: str, seed: int) -> Night:
    """Draw a night in which `kind` happens between one and four hours after its begin."""
    rng = random.Random(f"{kind}/{seed}")
    volume = rng.uniform(60.0, 300.0)
    loss = rng.uniform(5.0, 8.0) * 10 * (volume / 2000.0) ** (2 / 3)
    setpoint = rng.choice([24.0, 25.0, 26.0])
    room = rng.uniform(18.0, 21.0)
    heater = round(loss * (setpoint - room + 2.0) * rng.uniform(1.7, 2.6))
    spec = TankSpec(
        f"t{seed:02}",
        volume_l=round(volume, 1),
        heater_w=heater,
        setpoint_c=setpoint,
        hysteresis_k=rng.choice([0.3, 0.5, 0.7]),
        loss_w_per_k=loss,
        noise_c=rng.choice([0.01, 0.02, 0.03]),
        quantum_c=rng.choice([0.0625, 0.1]),
        interval_s=rng.choice([10.0, 20.0, 30.0]),
    )
    at_s = BEGIN_S + rng.uniform(1.0, 4.0) * HOUR_S
    events: list[AirEvent] = []
    night = Night(spec, RoomAir(), seed=rng.randrange(1 << 30), heater=True)

    def fault(fault_kind: FaultKind, cause: Cause, hours: float = 5.0, size: float = 1.0) -> None:
        night.faults = (Fault(fault_kind, at_s, at_s + hours * HOUR_S, size),)
        night.cause = cause

    if kind == "stuck-on":
        fault(FaultKind.STUCK_ON, Cause.HEATER_STUCK_ON)
    elif kind == "stuck-on-unseen":
        fault(FaultKind.STUCK_ON_UNSEEN, Cause.HEATER_STUCK_ON)
    elif kind == "dead-element":
        fault(FaultKind.DEAD_ELEMENT, Cause.HEATER_NO_HEAT, 8.0)
    elif kind == "unplugged":
        fault(FaultKind.UNPLUGGED, Cause.HEATER_WITHOUT_POWER, 8.0)
    elif kind == "power-cut":
        fault(FaultKind.POWER_CUT, Cause.POWER_LOSS, 8.0)
    elif kind == "lid-off":
        fault(FaultKind.LID_OFF, Cause.MORE_HEAT_LOST, 8.0, rng.uniform(1.8, 2.1))
    elif kind == "weak-element":
        fault(FaultKind.WEAK_ELEMENT, Cause.ELEMENT_WEAK, 8.0, rng.uniform(0.5, 0.6))
    elif kind == "cold-room":
        lift = spec.heater_w / spec.loss_w_per_k
        events.append(AirEvent(at_s, at_s + 48 * HOUR_S, -1.15 * lift + (setpoint - room), ramp_s=1800.0))
        night.cause = Cause.HEATER_TOO_WEAK
    elif kind == "water-change":
        night.works = (Work(at_s, 1200.0, rng.uniform(0.25, 0.4), setpoint - rng.uniform(4.0, 6.0)),)
        night.cause = Cause.WATER_CHANGED
        night.onset_s = (at_s,)
    night.air = RoomAir(
        mean_c=room,
        daily_k=rng.uniform(0.3, 1.0),
        weather_k=0.3,
        start_s=BEGIN_S - LEAD_H * HOUR_S,
        days=3,
        seed=seed,
        events=events,
    )
    return night.live()
