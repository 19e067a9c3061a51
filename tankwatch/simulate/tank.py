"""One simulated tank: water, heater, thermostat, lamp and probe, stepped through time.

The water follows `C dT/dt = P·h − K·(T − T_room) + g`; the element and the probe answer with a lag of
their own, the probe adds noise and rounds to its quantum. Faults change one part and nothing else.
"""

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from tankwatch.simulate.room import RoomAir

_DAY_S = 86_400.0
_WATER_J_PER_L_K = 4168.0  # 0.997 kg/L · 4180 J/(kg·K), fresh water at 25 °C


class FaultKind(StrEnum):
    """What can be made to go wrong; each has one cause."""

    STUCK_ON = "stuck-on"
    """Contacts welded: the heater draws power whatever the thermostat wants."""
    STUCK_ON_UNSEEN = "stuck-on-unseen"
    """The same, where the state comes from the thermostat's wish and not from the power drawn."""
    DEAD_ELEMENT = "dead-element"
    """The thermostat calls and shows on; no heat comes."""
    UNPLUGGED = "unplugged"
    """No power: the state shows off however cold it gets."""
    WEAK_ELEMENT = "weak-element"
    """Power falls to the share `size`."""
    LID_OFF = "lid-off"
    """Heat loss times `size`."""
    SHORT_CYCLING = "short-cycling"
    """Hysteresis shrinks to the share `size`."""
    DRIFT = "drift"
    """The thermostat's switching point creeps by `size` K a day."""
    PROBE_SILENT = "probe-silent"
    PROBE_FROZEN = "probe-frozen"
    PROBE_POWER_ON = "probe-power-on"
    """The probe gives 85.0, its power-on value."""
    PROBE_UNPLUGGED = "probe-unplugged"
    """The probe gives -127, the host library's word for a missing sensor."""
    PROBE_SPIKES = "probe-spikes"
    """A share `size` of the readings is off by many kelvins."""
    PROBE_IN_AIR = "probe-in-air"
    """The probe hangs out of the water."""
    LIGHT_ON = "light-on"
    """The lamp stays on."""
    LIGHT_OFF = "light-off"
    """The lamp stays off."""
    POWER_CUT = "power-cut"
    """Neither heater nor lamp has power; the probe runs on."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault between two times."""

    kind: FaultKind
    start_s: float
    end_s: float = float("inf")
    size: float = 1.0


@dataclass(frozen=True, slots=True)
class Work:
    """Hands in the tank, and the water that goes out and in."""

    start_s: float
    water_out_s: float = 600.0
    """Time with the level lowered."""
    share: float = 0.0
    """Share of the water replaced, 0..1."""
    new_water_c: float = 20.0
    marked: bool = True
    """Service marks are sent."""
    heater_unplugged: bool = True
    """The keeper unplugs the heater while the level is low."""

    @property
    def end_s(self) -> float:
        """When the work is over."""
        return self.start_s + self.water_out_s


@dataclass(frozen=True, slots=True)
class TankSpec:
    """A tank as it truly is."""

    tank_id: str
    volume_l: float = 120.0
    heater_w: float = 150.0
    setpoint_c: float = 25.0
    """Middle of the thermostat's hysteresis."""
    hysteresis_k: float = 0.5
    """Between switching off and switching on."""
    loss_w_per_k: float = 7.0
    heater_lag_s: float = 40.0
    probe_lag_s: float = 30.0
    noise_c: float = 0.02
    """Standard deviation of one reading."""
    quantum_c: float = 0.0625
    interval_s: float = 10.0
    light_on_h: float = 11.0
    """Local hour at which the lamp comes on (UTC here)."""
    light_hours: float = 7.0
    light_gain_w: float = 3.0
    """Heat that the lamp gives to the water."""


@dataclass(slots=True)
class TankSim:
    """A tank stepped through time. `advance` to a time, then look at `probe_c`, `heater_on`, `light_on`."""

    spec: TankSpec
    air: RoomAir
    time_s: float
    seed: int = 1
    faults: Sequence[Fault] = ()
    works: Sequence[Work] = ()
    extra_light: Sequence[tuple[float, float]] = ()
    """Times at which the lamp is on besides its hours."""
    water_c: float = field(init=False)
    """True water temperature, °C."""
    heater_on: bool = False
    """Heater state as the state sensor shows it."""
    light_on: bool = False
    service: str = "end"
    heat_w: float = 0.0
    """Heat that reaches the water now, W."""
    _wish: bool = False
    _sensed_c: float = field(init=False)
    _frozen_c: float | None = None
    _level: float = 1.0
    _rng: random.Random = field(init=False)
    _dt_s: float = field(init=False)

    def __post_init__(self) -> None:
        """Start within the hysteresis, at a random phase of the cycle."""
        self._rng = random.Random(self.seed)
        half = self.spec.hysteresis_k / 2
        warm_room = self.air.temperature_c(self.time_s)
        self.water_c = max(self.spec.setpoint_c + self._rng.uniform(-half, half), warm_room)
        self._wish = self._rng.random() < 0.5 and self.water_c < self.spec.setpoint_c
        self._sensed_c = self.water_c
        self._dt_s = min(self.spec.interval_s, 10.0)

    def _active(self) -> dict[FaultKind, Fault]:
        return {f.kind: f for f in self.faults if f.start_s <= self.time_s < f.end_s}

    def advance(self, until_s: float) -> None:
        """Let the tank live until `until_s`, in steps of at most 10 s."""
        spec = self.spec
        while self.time_s < until_s - 1e-6:
            dt = min(self._dt_s, until_s - self.time_s)
            active = self._active() if self.faults else {}
            work = self._find_work()
            air_c = self.air.temperature_c(self.time_s)
            loss = spec.loss_w_per_k
            if FaultKind.LID_OFF in active:
                loss *= active[FaultKind.LID_OFF].size
            power = self._switch(active, work)
            self.heat_w += (power - self.heat_w) * min(1.0, dt / spec.heater_lag_s)
            self._switch_light(active)
            gain = spec.light_gain_w if self.light_on else 0.0
            if work is not None and work.share > 0:
                self._fill(work, dt)
                heat_capacity = spec.volume_l * _WATER_J_PER_L_K * self._level
            else:
                self._level = 1.0
                heat_capacity = spec.volume_l * _WATER_J_PER_L_K
            self.water_c += dt * (self.heat_w - loss * (self.water_c - air_c) + gain) / heat_capacity
            in_air = FaultKind.PROBE_IN_AIR in active
            target = air_c + 0.15 * self._rng.gauss(0, 1) if in_air else self.water_c
            lag = 180.0 if in_air else spec.probe_lag_s
            self._sensed_c += (target - self._sensed_c) * min(1.0, dt / lag)
            self.time_s += dt

    def _switch(self, active: dict[FaultKind, Fault], work: Work | None) -> float:
        """Let the thermostat decide; return the electrical power drawn, W."""
        spec = self.spec
        centre, width = spec.setpoint_c, spec.hysteresis_k
        if FaultKind.DRIFT in active:
            fault = active[FaultKind.DRIFT]
            centre += fault.size * (self.time_s - fault.start_s) / _DAY_S
        if FaultKind.SHORT_CYCLING in active:
            width *= active[FaultKind.SHORT_CYCLING].size
        if self.water_c > centre + width / 2:
            self._wish = False
        elif self.water_c < centre - width / 2:
            self._wish = True
        drawing = self._wish
        self.heater_on = self._wish
        if FaultKind.STUCK_ON in active:
            drawing = self.heater_on = True
        if FaultKind.STUCK_ON_UNSEEN in active:
            drawing = True
        water_low = work is not None and work.share > 0
        unplugged = work is not None and water_low and work.heater_unplugged
        if FaultKind.UNPLUGGED in active or FaultKind.POWER_CUT in active or unplugged:
            drawing = self.heater_on = False
        if FaultKind.DEAD_ELEMENT in active or water_low:
            return 0.0
        watts = spec.heater_w
        if FaultKind.WEAK_ELEMENT in active:
            watts *= active[FaultKind.WEAK_ELEMENT].size
        return watts if drawing else 0.0

    def _switch_light(self, active: dict[FaultKind, Fault]) -> None:
        hour = (self.time_s % _DAY_S) / 3600.0
        self.light_on = (hour - self.spec.light_on_h) % 24.0 < self.spec.light_hours
        self.light_on = self.light_on or any(a <= self.time_s < b for a, b in self.extra_light)
        if FaultKind.LIGHT_ON in active:
            self.light_on = True
        if FaultKind.LIGHT_OFF in active or FaultKind.POWER_CUT in active:
            self.light_on = False

    def _find_work(self) -> Work | None:
        """Return the work under way now and set the service word by it."""
        for work in self.works:
            if work.start_s <= self.time_s < work.end_s:
                self.service = "water-out" if work.share > 0 else "work"
                return work
        self.service = "end"
        return None

    def _fill(self, work: Work, dt: float) -> None:
        """Let the level fall in the first half of the work, and mix new water in during the second."""
        half_s = work.water_out_s / 2
        step_share = work.share * dt / half_s
        if self.time_s < work.start_s + half_s:
            self._level = max(self._level - step_share, 1.0 - work.share)
            return
        step_share = min(step_share, 1.0 - self._level)
        total = self._level + step_share
        self.water_c = (self._level * self.water_c + step_share * work.new_water_c) / total
        self._level = total

    def probe_c(self) -> float | None:
        """Return what the probe sends now, °C; None while it is silent."""
        active = self._active() if self.faults else {}
        if FaultKind.PROBE_SILENT in active:
            return None
        quantum = self.spec.quantum_c
        noisy = self._sensed_c + self._rng.gauss(0.0, self.spec.noise_c)
        value = round(noisy / quantum) * quantum if quantum > 0 else noisy
        if FaultKind.PROBE_POWER_ON in active:
            return 85.0
        if FaultKind.PROBE_UNPLUGGED in active:
            return -127.0
        if FaultKind.PROBE_SPIKES in active and self._rng.random() < active[FaultKind.PROBE_SPIKES].size:
            return value + self._rng.choice((-1, 1)) * self._rng.uniform(4, 15)
        if FaultKind.PROBE_FROZEN in active:
            if self._frozen_c is None:
                self._frozen_c = value
            return self._frozen_c
        self._frozen_c = None
        return value


Record = tuple[str, float, float | str]
"""Channel name, time in seconds since 1970 UTC, value (a word for service)."""


def run(
    sim: TankSim, until_s: float, *, heater: bool = True, light: bool = True, air: bool = False
) -> Iterator[Record]:
    """Yield the records that the tank's probe sends from now until `until_s`, in order.

    `heater`, `light` and `air` tell which states are measured beside the water.
    """
    step = sim.spec.interval_s
    service = "end"
    while sim.time_s < until_s:
        sim.advance(sim.time_s + step)
        now = sim.time_s
        word = sim.service
        if word != service:
            service = word
            if any(w.marked and w.start_s - step <= now <= w.end_s + 2 * step for w in sim.works):
                yield "service", now, word
        value = sim.probe_c()
        if value is None:
            continue
        yield "temperature", now, value
        if heater:
            yield "heater", now, float(sim.heater_on)
        if light:
            yield "light", now, float(sim.light_on)
        if air:
            yield "air", now, round(sim.air.temperature_c(now) / 0.0625) * 0.0625
