"""Whether the temperature probe may be believed.

Impossible values, spikes and noise make it faulty; a value that never moves while the heater works makes
it frozen; a change that water cannot make, towards the room, takes it out of the water. A single odd
value is left out and forgotten.
"""

from collections import deque
from typing import TYPE_CHECKING

from tankwatch.alarms.model import Condition, Priority
from tankwatch.watchdog.words import minutes_text

if TYPE_CHECKING:
    from tankwatch.watchdog.tank import TankWatch

_POWER_ON_C = 85.0  # DS18B20 data sheet: scratchpad after power-on
_COLDEST_C = -5.0
_WARMEST_C = 50.0
_JUMP_K = 1.2
_BAD_IN_A_ROW = 3
_SPIKES = 4
_SPIKE_WINDOW_S = 1200.0
_SPIKE_SHARE = 0.015
_JUMPS_TO_BELIEVE = 3
_NOISE_TIMES = 6.0
_NOISY_C = 0.4
_FROZEN_MOVE_K = 0.15
_FROZEN_SHORTEST_S = 2400.0
_FAST_BINS_S = 300.0
_WATCH_FALL_S = 1200.0
_FALL_WITHOUT_AIR_K = 2.5  # less may be cold water that was poured in: that is told as a fast cooling
_HOLD_RATE_S = 600.0
_MISTRUSTING = (Condition.PROBE_FAULTY, Condition.PROBE_FROZEN, Condition.PROBE_OUT_OF_WATER)


class ProbeRules:
    """Faulty, frozen, out of water."""

    __slots__ = (
        "_bad_run",
        "_constant_since_s",
        "_constant_value",
        "_fall",
        "_good_since_bad",
        "_held",
        "_last_c",
        "_last_s",
        "_longest_heat_s",
        "_longest_idle_s",
        "_noisy",
        "_odd",
        "_quantum_looks",
        "_settled",
        "mistrusted",
        "noise_c",
        "quantum_c",
    )

    def __init__(self) -> None:
        """Start believing."""
        self.noise_c = 0.03
        """Scatter of one minute's mean, °C; learned."""
        self.quantum_c = 1.0
        """Smallest step between two readings seen, °C."""
        self._quantum_looks = 500
        self._last_c: float | None = None
        self._last_s = 0.0
        self._bad_run = 0
        self._good_since_bad = 0
        self._odd: deque[float] = deque(maxlen=64)
        self._held: list[float] = []
        self._noisy = 0
        self._constant_value: float | None = None
        self._constant_since_s = 0.0
        self._longest_heat_s = 0.0
        self._longest_idle_s = 0.0
        self._fall: tuple[float, float] | None = None
        """Onset time and temperature of a change too fast for water."""
        self._settled = 0
        self.mistrusted = False
        """The probe's values are not those of the water."""

    # --- every reading ---

    def accept(self, tank: "TankWatch", time_s: float, value_c: float) -> bool:
        """Tell whether a value may be used; odd ones are counted and left out."""
        last_c = self._last_c
        if not _COLDEST_C < value_c < _WARMEST_C:
            self._odd_value(tank, time_s, value_c)
            return False
        if last_c is not None and not -_JUMP_K < value_c - last_c < _JUMP_K:
            return self._jumped(tank, time_s, value_c)
        if self._held:
            self._odd.extend([time_s] * len(self._held))
            self._held.clear()
            self._judge_odd(tank, time_s, value_c)
        if self._quantum_looks and last_c is not None and value_c != last_c:
            self._quantum_looks -= 1
            self.quantum_c = min(self.quantum_c, abs(value_c - last_c))
        self._last_c = value_c
        self._last_s = time_s
        if self._bad_run or self._good_since_bad:
            self._good(tank, time_s)
        return True

    def _odd_value(self, tank: "TankWatch", time_s: float, value_c: float) -> None:
        self._bad_run += 1
        self._good_since_bad = 0
        self._odd.append(time_s)
        if self._bad_run >= _BAD_IN_A_ROW:
            meaning = (
                "its power-on value: it lost power or never measured"
                if value_c == _POWER_ON_C
                else "the word for a sensor that does not answer"
                if value_c == -127.0
                else "no temperature of water"
            )
            self._tell_faulty(tank, time_s, f"The probe sends {value_c:g} °C, {meaning}.", value_c)
        else:
            self._judge_odd(tank, time_s, value_c)

    def _jumped(self, tank: "TankWatch", time_s: float, value_c: float) -> bool:
        """Hold back a value far from the one before, until others agree with it."""
        held = self._held
        if held and abs(value_c - held[-1]) > max(_JUMP_K, 0.5 * abs(held[-1] - (self._last_c or 0.0))):
            self._odd.extend([time_s] * len(held))
            held.clear()
            self._judge_odd(tank, time_s, value_c)
        held.append(value_c)
        slow = time_s - self._last_s > 900.0
        if len(held) < _JUMPS_TO_BELIEVE and not slow:
            return False
        held.clear()
        self._last_c = value_c
        self._last_s = time_s
        return True

    def _judge_odd(self, tank: "TankWatch", time_s: float, value_c: float) -> None:
        odd = self._odd
        while odd and odd[0] < time_s - _SPIKE_WINDOW_S:
            odd.popleft()
        readings = _SPIKE_WINDOW_S / max(tank.interval_s, 1.0)
        if len(odd) >= _SPIKES and len(odd) >= _SPIKE_SHARE * readings:
            self._tell_faulty(
                tank,
                time_s,
                f"{len(odd)} impossible values in {minutes_text(_SPIKE_WINDOW_S / 60)}.",
                value_c,
            )

    def _tell_faulty(self, tank: "TankWatch", time_s: float, what: str, value_c: float) -> None:
        self._good_since_bad = 0
        self.mistrusted = True
        tank.learning.suspect()
        tank.tell(
            Condition.PROBE_FAULTY,
            Priority.HIGH,
            time_s,
            f"{what} The water is not watched meanwhile. Look at the probe's cable, connectors and supply.",
            value=value_c,
            evidence={
                "odd_values": len(self._odd),
                "likely": ["loose cable", "water in the probe", "weak supply"],
            },
        )

    def _good(self, tank: "TankWatch", time_s: float) -> None:
        self._bad_run = 0
        self._good_since_bad += 1
        if tank.is_active(Condition.PROBE_FAULTY):
            recent = [t for t in self._odd if t > time_s - _SPIKE_WINDOW_S]
            if self._good_since_bad >= 6 and len(recent) < _SPIKES and not self._noisy:
                tank.clear(Condition.PROBE_FAULTY, time_s)
                self._good_since_bad = 0
        elif not self._odd or self._odd[-1] < time_s - _SPIKE_WINDOW_S:
            self._good_since_bad = 0

    # --- every minute ---

    def minute(self, tank: "TankWatch", now_s: float, scatter_c: float, readings: int) -> None:
        """Judge the newest minute; `scatter_c` is the range of its readings."""
        self._judge_noise(tank, now_s, scatter_c, readings)
        held_back = tank.in_service(now_s)
        if not held_back:
            self._judge_frozen(tank, now_s, scatter_c)
            self._judge_fall(tank, now_s)
        if tank.is_active(Condition.PROBE_OUT_OF_WATER):
            self._judge_return(tank, now_s)
        self.mistrusted = any(tank.is_active(condition) for condition in _MISTRUSTING)

    def _judge_noise(self, tank: "TankWatch", now_s: float, scatter_c: float, readings: int) -> None:
        track = tank.track.temperature_c
        noisy = False
        if readings >= 3 and len(track) >= 2 and not tank.in_service(now_s):
            # What the water itself moved within the minute is no noise.
            scatter_c -= 1.5 * abs(track[-1] - track[-2])
            usual = max(self.noise_c, 0.01) * 6.0
            noisy = scatter_c > max(_NOISE_TIMES * usual, _NOISY_C, 2.2 * self.quantum_c)
        if len(track) >= 3 and not noisy:
            bend = abs(track[-2] - (track[-1] + track[-3]) / 2)
            self.noise_c += 0.02 * (min(bend, 0.3) * 0.8 - self.noise_c)
            self.noise_c = max(self.noise_c, 0.005)
        self._noisy = min(self._noisy + 1, 20) if noisy else max(self._noisy - 1, 0)
        if self._noisy >= 6:
            self._tell_faulty(
                tank, now_s, f"The probe scatters by {scatter_c:.1f} °C within a minute.", scatter_c
            )
        elif not noisy and self._noisy == 0 and tank.is_active(Condition.PROBE_FAULTY) and not self._odd:
            tank.clear(Condition.PROBE_FAULTY, now_s)

    def _judge_frozen(self, tank: "TankWatch", now_s: float, scatter_c: float) -> None:
        value = tank.track.temperature_c[-1]
        moved = scatter_c > 0.0 or self._constant_value is None or value != self._constant_value
        heating = tank.heating_now(now_s)
        if moved:
            self._constant_value = value
            self._constant_since_s = now_s
            self._longest_heat_s = self._longest_idle_s = 0.0
            tank.clear(Condition.PROBE_FROZEN, now_s)
            return
        if heating:
            since_s = max(tank.cycles.heating_since_s or now_s, self._constant_since_s)
            self._longest_heat_s = max(self._longest_heat_s, now_s - since_s)
        elif heating is False:
            since_s = max(tank.cycles.idle_since_s or now_s, self._constant_since_s)
            self._longest_idle_s = max(self._longest_idle_s, now_s - since_s)
        constant_s = now_s - self._constant_since_s
        if constant_s < _FROZEN_SHORTEST_S or self._may_be_in_balance(tank, value):
            return
        heating_rate = tank.model.heating_k_per_h
        if heating is not None and heating_rate is not None:
            # Heating moves the water by (p - r)·a, idling by r·b: whatever r is, one of them is this large.
            heat_h, idle_h = self._longest_heat_s / 3600.0, self._longest_idle_s / 3600.0
            expected_k = heating_rate.value * heat_h * idle_h / max(heat_h + idle_h, 1e-6)
            frozen = expected_k > max(_FROZEN_MOVE_K, 1.5 * self.quantum_c)
        else:
            period_s = tank.cycles.period_s
            frozen = (
                tank.cycles.width_k > 1.5 * self.quantum_c
                and tank.cycles.is_known
                and period_s is not None
                and constant_s > min(max(1.6 * period_s, 10_800.0), 50_400.0)
            )
            expected_k = tank.cycles.width_k
        if frozen:
            self.mistrusted = True
            tank.learning.suspect()
            tank.tell(
                Condition.PROBE_FROZEN,
                Priority.HIGH,
                now_s,
                f"The probe has sent {value:g} °C unchanged for {minutes_text(constant_s / 60)} while the "
                f"heater should have moved the water by {expected_k:.1f} °C. The water is not watched. "
                "Restart the probe; measure the water by hand.",
                since_s=self._constant_since_s,
                value=value,
                evidence={"expected_change_k": round(expected_k, 2), "unchanged_min": round(constant_s / 60)},
            )

    def is_constant(self, now_s: float) -> bool:
        """Tell whether the value has not moved for so long that the probe may be frozen."""
        return self._constant_value is not None and now_s - self._constant_since_s > 900.0

    def _may_be_in_balance(self, tank: "TankWatch", water_c: float) -> bool:
        """Tell whether heat and loss may balance: far from the usual cycle a steady value is no wonder."""
        cycles = tank.cycles
        if not cycles.is_known or cycles.top_c is None or cycles.bottom_c is None:
            return True
        return not cycles.bottom_c - 0.3 < water_c < cycles.top_c + 0.3

    # --- out of the water ---

    def _judge_fall(self, tank: "TankWatch", now_s: float) -> None:
        """Watch a change that is far faster than water can make."""
        track = tank.track
        water_c = track.temperature_c[-1]
        if tank.is_active(Condition.PROBE_FAULTY):
            self._fall = None
            return
        if self._fall is None:
            then = track.index_at(track.time_s[-1] - _FAST_BINS_S)
            if then is None or tank.recovering:
                return
            change_k = water_c - track.temperature_c[then]
            heating = tank.model.heating_k_per_h
            natural = max(1.5, 1.3 * heating.value if heating is not None else 1.5) * _FAST_BINS_S / 3600.0
            if abs(change_k) > max(0.5, 4.0 * natural):
                self._fall = (now_s, track.temperature_c[then])
            else:
                return
        onset_s, onset_c = self._fall
        change_k = water_c - onset_c
        air_c = tank.air_now_c()
        if air_c is not None and abs(air_c - onset_c) > 1.5:
            gone = change_k / (air_c - onset_c)
            if 0.5 < gone < 1.3:
                self.tell_out_of_water(tank, now_s, water_c)
                return
        elif change_k < -_FALL_WITHOUT_AIR_K and len(track) >= 4:
            newest = track.temperature_c[-3] - track.temperature_c[-1]
            early = onset_c - track.temperature_c[-3]
            if newest < 0.35 * early:
                self.tell_out_of_water(tank, now_s, water_c)
                return
        if now_s - onset_s > _WATCH_FALL_S:
            self._fall = None

    def tell_out_of_water(self, tank: "TankWatch", now_s: float, water_c: float) -> None:
        """Tell that the probe hangs in the air."""
        self._fall = None
        self._settled = 0
        self.mistrusted = True
        tank.learning.suspect()
        tank.cycles.disturb()
        tank.tell(
            Condition.PROBE_OUT_OF_WATER,
            Priority.HIGH,
            now_s,
            f"The probe went to {water_c:.1f} °C faster than water can: it hangs in the air or the level "
            "fell. The water is not watched. Put the probe back; look for a leak.",
            value=round(water_c, 3),
            evidence={"air_c": tank.air_now_c(), "likely": ["probe pulled out", "water level fell", "leak"]},
        )

    def _judge_return(self, tank: "TankWatch", now_s: float) -> None:
        """See whether the probe is back in the water: within the band for some minutes."""
        water_c = tank.track.temperature_c[-1]
        cycles = tank.cycles
        low_c = (cycles.bottom_c or tank.config.setpoint_c) - 1.0
        high_c = (cycles.top_c or tank.config.setpoint_c) + 1.0
        self._settled = self._settled + 1 if low_c < water_c < high_c else 0
        if self._settled >= 5:
            tank.clear(Condition.PROBE_OUT_OF_WATER, now_s)

    def holds_back_rate(self, now_s: float) -> bool:
        """Tell whether a fast change is being looked at: it may be the probe and not the water."""
        return self._fall is not None and now_s - self._fall[0] < _HOLD_RATE_S

    def lose_sight(self) -> None:
        """Begin anew after a gap."""
        self._fall = None
        self._constant_value = None

    def service_began(self, tank: "TankWatch", now_s: float) -> None:
        """Forget what work explains."""
        self._fall = None
        self._constant_value = None
