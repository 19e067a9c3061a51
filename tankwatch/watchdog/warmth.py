"""How much of the heater's warmth arrives: the number on which every heater judgement rests.

`f = (dT/dt + r) / p`, where `p` is the learned heating rate and `r` the rate at which the water would cool
unheated. `f` is 1 when the heater works and 0 when it does not, whatever the state sensor says; beyond
these something else warms or cools the water.
"""

import math
from typing import TYPE_CHECKING

from tankwatch.alarms.model import Condition

if TYPE_CHECKING:
    from tankwatch.watchdog.tank import TankWatch

LAG_S = 150.0
"""Element, mixing and probe answer within this, s."""
WINDOW_K = 0.3
"""A window is as long as a working heater takes to lift the water by this much, K."""
ARRIVES = 0.35
"""With less than this share of its warmth a heater counts as not heating."""
_SHORTEST_WINDOW_S = 480.0
_LONGEST_WINDOW_S = 5400.0
_MIXING_S = 300.0  # of the time to settle after work, the part in which new water still mixes
_ROOM_SHARE_PER_H = 0.25  # a room changes the cooling by at most this share of the heating, per hour
_FOLLOW_S = 1200.0
_FREE_FALL_K = 0.15
_FREE_SHARE = 0.7


class Warmth:
    """The share of the heater's warmth that arrives in one tank, and the cooling it is measured against."""

    __slots__ = ("_cooling", "_seen_s")

    def __init__(self) -> None:
        """Start with nothing followed."""
        self._cooling: tuple[float, float] | None = None
        """Followed during a long heating: cooling rate and its uncertainty, K/h."""
        self._seen_s = 0.0

    def follow(self, tank: "TankWatch", now_s: float, water_c: float, *, in_doubt: bool) -> None:
        """Keep the cooling rate up to date, also while the heater stays on; not while it is `in_doubt`.

        The water falls freely just before the heater comes on: that rate is the freshest there is. During a
        long heating the room may cool on; what the water then lacks is taken for cooling, but only as
        fast as a room can change. A heater that dies takes its whole warmth away at once and is seen.
        """
        passed_h = min((now_s - self._seen_s) / 3600.0, 0.1)
        self._seen_s = now_s
        heating = tank.model.heating_k_per_h
        if heating is None or tank.heating_now(now_s) is not True:
            self._cooling = None
            return
        if self._cooling is None:
            self._cooling = _cooling_before_heating(tank, now_s, water_c, heating.value)
            return
        track = tank.track
        heated_s = now_s - max(tank.cycles.heating_since_s or now_s, tank.settle_until_s)
        then = track.index_at(track.time_s[-1] - _FOLLOW_S)
        if in_doubt or then is None or heated_s < _FOLLOW_S + LAG_S:
            return
        if tank.is_active(Condition.HEATER_NO_HEAT):
            return
        hours = (track.time_s[-1] - track.time_s[then]) / 3600.0
        rate_k_per_h = (track.newest_c() - track.smooth_c(then)) / hours
        lacking = heating.value - rate_k_per_h - self._cooling[0]
        most = _ROOM_SHARE_PER_H * heating.value * passed_h
        self._cooling = (self._cooling[0] + min(max(lacking, -most), most), self._cooling[1])

    def cooling(self, tank: "TankWatch", water_c: float) -> tuple[float, float] | None:
        """Return the cooling rate of the unheated water and its uncertainty, K/h."""
        return self._cooling or tank.cooling_now_k_per_h(water_c)

    def share(self, tank: "TankWatch", water_c: float, window_s: float) -> float:
        """Return `f` over the last `window_s`; nan where it cannot be told."""
        heating = tank.model.heating_k_per_h
        cooling = self.cooling(tank, water_c)
        track = tank.track
        start_s = track.time_s[-1] - window_s
        then = track.index_at(start_s)
        if heating is None or cooling is None or then is None or not track.is_whole(then):
            return math.nan
        hours = (track.time_s[-1] - track.time_s[then]) / 3600.0
        if start_s < tank.settle_until_s - _MIXING_S or hours <= 0:
            return math.nan
        rate_k_per_h = (track.newest_c() - track.smooth_c(then)) / hours
        return (rate_k_per_h + cooling[0]) / heating.value

    def share_uncertainty(self, tank: "TankWatch", water_c: float, window_s: float) -> float:
        """Return one standard uncertainty of `f` over a window."""
        heating = tank.model.heating_k_per_h
        cooling = self.cooling(tank, water_c)
        if heating is None or cooling is None:
            return math.inf
        noise_c = math.hypot(tank.probe_rules.noise_c, 0.3 * tank.probe_rules.quantum_c)
        return math.hypot(1.5 * noise_c / (window_s / 3600.0), cooling[1]) / heating.value


def window_s(tank: "TankWatch") -> float:
    """Return a window in which a working heater would lift the water well beyond the noise, s."""
    heating = tank.model.heating_k_per_h
    if heating is None:
        return _LONGEST_WINDOW_S
    lift_k = max(WINDOW_K, 8.0 * tank.probe_rules.noise_c, 2.0 * tank.probe_rules.quantum_c)
    return min(max(lift_k / heating.value * 3600.0, _SHORTEST_WINDOW_S), _LONGEST_WINDOW_S)


def rise_k(tank: "TankWatch", window_s: float) -> float:
    """Return how much the water has risen over a window, K; 0 where that cannot be told."""
    track = tank.track
    then = track.index_at(track.time_s[-1] - window_s)
    return 0.0 if then is None else track.newest_c() - track.smooth_c(then)


def falls_freely(tank: "TankWatch", water_c: float) -> bool:
    """Tell whether the water falls about as fast as it does without any heat.

    A heater that is merely too weak slows the fall, also while its state is not measured.
    """
    cooling = tank.heater_rules.warmth.cooling(tank, water_c)
    if cooling is None or cooling[0] <= 0.0:
        return False
    lift_k = max(_FREE_FALL_K, 1.5 * tank.probe_rules.quantum_c)
    span_s = min(max(lift_k / cooling[0] * 3600.0, _FOLLOW_S), _LONGEST_WINDOW_S)
    return -rise_k(tank, span_s) > _FREE_SHARE * cooling[0] * span_s / 3600.0


def usual_top_c(tank: "TankWatch") -> float:
    """Return the usual top of the cycle, or a guess from the setpoint while none is known, °C."""
    cycles = tank.cycles
    if cycles.top_c is None:
        return tank.config.setpoint_c + 1.3
    return max(cycles.top_c, *cycles.peaks[-3:])


def usual_bottom_c(tank: "TankWatch") -> float:
    """Return the usual bottom of the cycle, or a guess from the setpoint while none is known, °C."""
    cycles = tank.cycles
    if not cycles.is_known or cycles.bottom_c is None:
        return tank.config.setpoint_c - 0.75
    return min(cycles.bottom_c, *cycles.troughs[-3:])


def rounded(share: float) -> float | None:
    """Return a share fit for evidence: two places, None where it could not be told."""
    return None if math.isnan(share) else round(share, 2)


def _cooling_before_heating(
    tank: "TankWatch", now_s: float, water_c: float, heating_k_per_h: float
) -> tuple[float, float] | None:
    """Return the rate of the free fall before this heating, or what model and cycles say."""
    known = tank.cooling_now_k_per_h(water_c)
    track = tank.track
    began_s = tank.cycles.heating_since_s or now_s
    if tank.idle_from_s is None:
        return known
    last = track.index_at(began_s)
    first = track.index_at(max(tank.idle_from_s + 600.0, began_s - 5400.0))
    if last is None or first is None or last - first < 8 or began_s - track.time_s[first] < 600.0:
        return known
    hours = (track.time_s[last] - track.time_s[first]) / 3600.0
    seen = (track.smooth_c(first) - track.smooth_c(last)) / hours
    spread = max(1.5 * tank.probe_rules.noise_c / hours, 0.02 * heating_k_per_h)
    if known is None:
        return seen, spread
    # Both speak, the surer louder; what was just seen is never drowned by what was learned.
    weight = max(0.5, known[1] ** 2 / (known[1] ** 2 + spread**2))
    return seen * weight + known[0] * (1.0 - weight), spread
