"""Heater faults told by the model before a limit is reached.

Every judgement rests on one number, the share `f` of the heater's warmth that arrives:
`f = (dT/dt + r) / p`, where `p` is the learned heating rate and `r` the rate at which the water would cool
unheated. `f` is 1 when the heater works and 0 when it does not, whatever the state sensor says.
"""

import math
from typing import TYPE_CHECKING

from tankwatch.alarms.model import Condition, Priority
from tankwatch.watchdog.forecast import minutes_to_high, minutes_to_low
from tankwatch.watchdog.words import minutes_text, since_text

if TYPE_CHECKING:
    from tankwatch.watchdog.tank import TankWatch

_OVER_TOP_K = 0.5
_UNDER_BOTTOM_K = 0.4
_LAG_S = 150.0  # element, mixing and probe answer within this
_SHORTEST_WINDOW_S = 480.0
_LONGEST_WINDOW_S = 5400.0
_WINDOW_K = 0.3  # a window in which a working heater would lift the water by this much
_ARRIVES = 0.35  # less than this share of the warmth arrives: it does not heat
_MIXING_S = 300.0  # of the time to settle after work, the part in which new water still mixes
_ROOM_SHARE_PER_H = 0.25  # a room changes the cooling by at most this share of the heating, per hour
_FULL_DUTY_S = 2400.0
_NEEDED_MINUTES = 2
_UNKNOWN_FULL_DUTY_S = 2 * 3600.0


class HeaterRules:
    """Stuck on, no heat, overloaded, exposed."""

    __slots__ = (
        "_cold",
        "_cooling",
        "_dead",
        "_hot",
        "_overloaded",
        "_seen_s",
        "_under_since_s",
        "is_cold_and_idle",
        "suspicious",
    )

    def __init__(self) -> None:
        """Start without suspicion."""
        self.suspicious = False
        """Something is odd: what is read now is not learned from."""
        self.is_cold_and_idle = False
        """The water is below its usual bottom and no heat comes: one tank of a power loss, perhaps."""
        self._hot = 0
        self._cold = 0
        self._dead = 0
        self._overloaded = 0
        self._cooling: tuple[float, float] | None = None
        """Followed during a long heating: cooling rate and its uncertainty, K/h."""
        self._seen_s = 0.0
        self._under_since_s = float("inf")

    def minute(self, tank: "TankWatch", now_s: float, water_c: float) -> None:
        """Judge the newest minute."""
        self.suspicious = False
        self.is_cold_and_idle = False
        self._follow_cooling(tank, now_s, water_c)
        self._stuck_on(tank, now_s, water_c)
        if not tank.is_active(Condition.HEATER_STUCK_ON):
            self._no_heat(tank, now_s, water_c)
            self._overload(tank, now_s, water_c)
        if self.suspicious:
            tank.cycles.disturb()

    # --- heat that does not stop ---

    def _stuck_on(self, tank: "TankWatch", now_s: float, water_c: float) -> None:
        cycles = tank.cycles
        top_c = _top_c(tank)
        over_k = water_c - top_c
        heating = tank.heating_now(now_s)
        if over_k < 0.15 or (heating is not True and self._rise_k(tank, 1500.0) < -0.1):
            self._hot = 0
            tank.clear(Condition.HEATER_STUCK_ON, now_s)
            return
        if over_k < 0.25 or (heating is None and not cycles.is_known):
            return  # without a measured state only a known thermostat can be said not to stop
        is_on_for_long = heating is True and now_s - (cycles.heating_since_s or now_s) > _LAG_S
        arriving = self._share_arriving(tank, now_s, water_c, self._window_s(tank))
        rises = arriving > 0.6 and self._rise_is_heating(tank, self._window_s(tank))
        self.suspicious = is_on_for_long or rises
        if over_k < _OVER_TOP_K or not (is_on_for_long or (rises and heating is not True)):
            self._hot = 0
            return
        self._hot += 1
        if self._hot < _NEEDED_MINUTES:
            return
        margin = minutes_to_high(tank, water_c)
        rise_k = self._rise_k(tank, 900.0)
        trend = (
            "still warming" if rise_k > 0.02 else "no longer warming" if rise_k > -0.02 else "cooling again"
        )
        shown = "shown on" if heating else "shown off" if heating is False else "not measured"
        tank.tell(
            Condition.HEATER_STUCK_ON,
            Priority.CRITICAL,
            now_s,
            f"Water {water_c:.1f} °C, {over_k:.1f} K above where the heater always stopped "
            f"({top_c:.1f} °C), {trend}; heater {shown}. {_limit_text(margin, 'high')} "
            "First unplug the heater, then look at its contacts or thermostat.",
            since_s=cycles.heating_since_s,
            value=round(water_c, 3),
            margin_min=margin,
            evidence={
                "usual_top_c": round(top_c, 3),
                "over_top_k": round(over_k, 3),
                "share_of_heat_arriving": _rounded(arriving),
                "likely": [
                    "contacts welded",
                    "thermostat out of place or failed",
                    "setpoint turned up by hand",
                ],
            },
        )

    # --- a call that brings no heat ---

    def _no_heat(self, tank: "TankWatch", now_s: float, water_c: float) -> None:
        cycles = tank.cycles
        heating = tank.heating_now(now_s)
        bottom_c = _bottom_c(tank)
        under_k = bottom_c - water_c
        arriving = float("nan")
        if heating is True:
            since_s = max(cycles.heating_since_s or now_s, tank.settle_until_s)
            window_s = self._window_s(tank)
            if now_s - since_s - _LAG_S < window_s or tank.probe_rules.is_constant(now_s):
                self._dead = 0
            else:
                arriving = self._share_arriving(tank, now_s, water_c, window_s)
                spread = self._share_uncertainty(tank, water_c, window_s)
                is_dead = arriving + spread < _ARRIVES
                self._dead = self._dead + 1 if is_dead else 0
                self.suspicious = self.suspicious or is_dead
                if under_k < 0.1 and arriving > 0.7:
                    tank.clear(Condition.HEATER_NO_HEAT, now_s)
                elif self._rise_k(tank, window_s) > 0.5 * _WINDOW_K:
                    tank.clear(Condition.HEATER_NO_HEAT, now_s)  # it warms again, slowly or not
            self._cold = 0
        else:
            self._dead = 0
            self._judge_idle(tank, now_s, water_c, under_k, heating)
        if max(self._dead, self._cold) < _NEEDED_MINUTES:
            return
        if self._fell_too_fast_for_water(tank, water_c):
            tank.probe_rules.tell_out_of_water(tank, now_s, water_c)
            return
        margin = minutes_to_low(tank, water_c)
        if heating is True:
            what = (
                f"shown on since {since_text(tank.stamp(cycles.heating_since_s or now_s))}, no warmth arrives"
            )
            likely = ["dead element", "plug or switch off behind the sensor", "heater out of the water"]
        elif heating is False:
            what = f"is not on although the water is {under_k:.1f} K below where it always came on"
            likely = ["unplugged, or its fuse or residual-current device is off", "thermostat failed"]
        else:
            what = (
                f"is not measured; the water is {under_k:.1f} K below where it always turned, still falling"
            )
            likely = ["unplugged or without power", "dead element", "thermostat failed"]
        tank.tell(
            Condition.HEATER_NO_HEAT,
            Priority.CRITICAL if margin is not None and margin < 60.0 else Priority.HIGH,
            now_s,
            f"Water {water_c:.1f} °C and the heater {what}. {_limit_text(margin, 'low')} "
            "First look at plug, fuse and pilot lamp; unplug before hands go in.",
            since_s=cycles.heating_since_s if heating else cycles.idle_since_s,
            value=round(water_c, 3),
            margin_min=margin,
            evidence={
                "usual_bottom_c": round(bottom_c, 3),
                "share_of_heat_arriving": _rounded(arriving),
                "likely": likely,
            },
        )

    def _judge_idle(
        self, tank: "TankWatch", now_s: float, water_c: float, under_k: float, heating: bool | None
    ) -> None:
        """Judge water that gets colder than it ever did while no heat comes."""
        if not tank.cycles.is_known:
            return
        if under_k < 0.1:
            self._cold = 0
            tank.clear(Condition.HEATER_NO_HEAT, now_s)
            return
        arriving = self._share_arriving(tank, now_s, water_c, max(self._window_s(tank), 1200.0))
        if heating is None and not arriving < _ARRIVES:
            self._cold = 0
            if arriving > 0.7:
                tank.clear(Condition.HEATER_NO_HEAT, now_s)
            return
        if under_k > 0.25:
            self.suspicious = self.is_cold_and_idle = True
        self._cold = self._cold + 1 if under_k > _UNDER_BOTTOM_K else 0

    def _fell_too_fast_for_water(self, tank: "TankWatch", water_c: float) -> bool:
        """Tell whether the fall of the last half hour is far more than water without heat can do."""
        cooling = tank.cooling_now_k_per_h(water_c)
        then = tank.track.index_at(tank.track.time_s[-1] - 1800.0)
        if cooling is None or then is None or tank.recovering:
            return False
        fall_k = max(tank.track.temperature_c[then:]) - water_c
        return fall_k > 0.8 and fall_k > 4.0 * max(cooling[0], 0.3) * 0.5

    # --- a heater that cannot hold ---

    def _overload(self, tank: "TankWatch", now_s: float, water_c: float) -> None:
        cycles = tank.cycles
        bottom_c = _bottom_c(tank)
        under_k = bottom_c - water_c
        heating = tank.heating_now(now_s)
        if under_k < 0.0 or heating is False:
            self._overloaded = 0
            self._under_since_s = now_s
            tank.clear(Condition.HEATER_OVERLOADED, now_s)
            return
        began_s = cycles.heating_since_s if heating else self._under_since_s
        on_s = now_s - max(began_s or now_s, tank.settle_until_s)
        needed_s = _FULL_DUTY_S if cycles.is_known else _UNKNOWN_FULL_DUTY_S
        if on_s < needed_s or under_k < 0.15 or (heating is None and under_k < _UNDER_BOTTOM_K):
            self._overloaded = 0
            return
        then = tank.track.index_at(tank.track.time_s[-1] - _FULL_DUTY_S)
        if then is None:
            return
        change_k = water_c - tank.track.smooth_c(then)
        arriving = self._share_arriving(tank, now_s, water_c, _FULL_DUTY_S)
        falls = change_k < -0.02 or (change_k < 0.02 and under_k > 0.4)
        if heating is None and not (cycles.is_known and arriving >= _ARRIVES):
            return  # without a measured state only a known heater can be said to heat too little
        if not falls or arriving < _ARRIVES:
            self._overloaded = 0
            return
        self.suspicious = True
        self._overloaded += 1
        if self._overloaded < _NEEDED_MINUTES:
            return
        pace_k_per_h = -change_k * 3600.0 / _FULL_DUTY_S
        ahead_k = water_c - tank.config.band_low_c
        margin = round(max(0.0, ahead_k / pace_k_per_h * 60.0), 1) if pace_k_per_h > 0.01 else None
        tank.tell(
            Condition.HEATER_OVERLOADED,
            Priority.HIGH,
            now_s,
            f"Water {water_c:.1f} °C and falling although the heater has been on for "
            f"{minutes_text(on_s / 60)}: it cannot hold this tank in this room. {_limit_text(margin, 'low')} "
            "Close lid and windows, cover the sides, warm the room.",
            since_s=cycles.heating_since_s,
            value=round(water_c, 3),
            margin_min=margin,
            evidence={
                "usual_bottom_c": round(bottom_c, 3),
                "change_k_in_40_min": round(change_k, 3),
                "share_of_heat_arriving": _rounded(arriving),
                "likely": ["room too cold for this heater", "lid off or draught", "element partly failed"],
            },
        )

    # --- hands in the tank ---

    def exposed(self, tank: "TankWatch", on: bool, now_s: float) -> None:
        """Tell at once when the heater draws power while the water is low."""
        if not on:
            tank.clear(Condition.HEATER_EXPOSED, now_s)
            return
        tank.tell(
            Condition.HEATER_EXPOSED,
            Priority.CRITICAL,
            now_s,
            "The heater is on while the water level is lowered: it may be dry, crack, or scald. "
            "Unplug it now; let it cool before water touches it.",
            value=1.0,
            evidence={"service": tank.service.value},
        )

    # --- the number everything rests on ---

    def _follow_cooling(self, tank: "TankWatch", now_s: float, water_c: float) -> None:
        """Keep the cooling rate up to date, also while the heater stays on.

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
            self._cooling = self._cooling_before_heating(tank, now_s, water_c, heating.value)
            return
        track = tank.track
        heated_s = now_s - max(tank.cycles.heating_since_s or now_s, tank.settle_until_s)
        if self._dead or tank.is_active(Condition.HEATER_NO_HEAT):
            return
        then = track.index_at(track.time_s[-1] - 1200.0)
        if heated_s < 1200.0 + _LAG_S or then is None:
            return
        hours = (track.time_s[-1] - track.time_s[then]) / 3600.0
        rate_k_per_h = (track.newest_c() - track.smooth_c(then)) / hours
        lacking = heating.value - rate_k_per_h - self._cooling[0]
        most = _ROOM_SHARE_PER_H * heating.value * passed_h
        step = min(max(lacking, -most), most)
        self._cooling = (self._cooling[0] + step, self._cooling[1])

    def _cooling_before_heating(
        self, tank: "TankWatch", now_s: float, water_c: float, heating_k_per_h: float
    ) -> tuple[float, float] | None:
        """Return the rate of the free fall before this heating, or what model and cycles say."""
        known = tank.cooling_now_k_per_h(water_c)
        cycles, track = tank.cycles, tank.track
        began_s = cycles.heating_since_s or now_s
        last = track.index_at(began_s)
        first = (
            None
            if tank.idle_from_s is None
            else track.index_at(max(tank.idle_from_s + 600.0, began_s - 5400.0))
        )
        if last is None or first is None or last - first < 8 or began_s - track.time_s[first] < 600.0:
            return known
        hours = (track.time_s[last] - track.time_s[first]) / 3600.0
        seen = (track.smooth_c(first) - track.smooth_c(last)) / hours
        spread = max(1.5 * tank.probe_rules.noise_c / hours, 0.02 * heating_k_per_h)
        if known is None:
            return seen, spread
        # Both speak, the surer louder; what was just seen is never drowned by what was learned.
        weight = known[1] ** 2 / (known[1] ** 2 + spread**2)
        weight = max(weight, 0.5)
        return seen * weight + known[0] * (1.0 - weight), spread

    def _window_s(self, tank: "TankWatch") -> float:
        """Return a window in which a working heater would lift the water well beyond the noise, s."""
        heating = tank.model.heating_k_per_h
        if heating is None:
            return _LONGEST_WINDOW_S
        lift_k = max(_WINDOW_K, 8.0 * tank.probe_rules.noise_c)
        return min(max(lift_k / heating.value * 3600.0, _SHORTEST_WINDOW_S), _LONGEST_WINDOW_S)

    def _rise_k(self, tank: "TankWatch", window_s: float) -> float:
        """Return how much the water has risen over a window, K; 0 where that cannot be told."""
        track = tank.track
        then = track.index_at(track.time_s[-1] - window_s)
        return 0.0 if then is None else track.newest_c() - track.smooth_c(then)

    def _rise_is_heating(self, tank: "TankWatch", window_s: float) -> bool:
        """Tell whether the water rises about as fast as this heater lifts it, and not as a warm room does."""
        heating, duty = tank.model.heating_k_per_h, tank.cycles.duty
        if heating is None:
            return False
        usual_k_per_h = heating.value * (1.0 - min(duty or 0.0, 0.8))
        return self._rise_k(tank, window_s) > 0.4 * usual_k_per_h * window_s / 3600.0

    def _share_arriving(self, tank: "TankWatch", now_s: float, water_c: float, window_s: float) -> float:
        """Return `f` over the last `window_s`; nan where it cannot be told."""
        heating = tank.model.heating_k_per_h
        cooling = self._cooling or tank.cooling_now_k_per_h(water_c)
        track = tank.track
        start_s = track.time_s[-1] - window_s
        then = track.index_at(start_s)
        if heating is None or cooling is None or then is None or not track.is_whole(then):
            return float("nan")
        if start_s < tank.settle_until_s - _MIXING_S:
            return float("nan")
        hours = (track.time_s[-1] - track.time_s[then]) / 3600.0
        if hours <= 0:
            return float("nan")
        rate_k_per_h = (track.newest_c() - track.smooth_c(then)) / hours
        return (rate_k_per_h + cooling[0]) / heating.value

    def _share_uncertainty(self, tank: "TankWatch", water_c: float, window_s: float) -> float:
        """Return one standard uncertainty of `f` over a window."""
        heating = tank.model.heating_k_per_h
        cooling = self._cooling or tank.cooling_now_k_per_h(water_c)
        if heating is None or cooling is None:
            return float("inf")
        reading = 1.5 * tank.probe_rules.noise_c / (window_s / 3600.0)
        return math.hypot(reading, cooling[1]) / heating.value


def _top_c(tank: "TankWatch") -> float:
    """Return the usual top of the cycle, or a guess from the setpoint while none is known."""
    cycles = tank.cycles
    if cycles.top_c is None:
        return tank.config.setpoint_c + 0.6
    return max(cycles.top_c, *cycles.peaks[-3:])


def _bottom_c(tank: "TankWatch") -> float:
    """Return the usual bottom of the cycle, or a guess from the setpoint while none is known."""
    cycles = tank.cycles
    if not cycles.is_known or cycles.bottom_c is None:
        return tank.config.setpoint_c - 0.75
    return min(cycles.bottom_c, *cycles.troughs[-3:])


def _limit_text(margin_min: float | None, which: str) -> str:
    if margin_min is None:
        return ""
    if margin_min <= 0.0:
        return f"Beyond the {which} limit already."
    return f"{minutes_text(margin_min)} to the {which} limit.".capitalize()


def _rounded(value: float) -> float | None:
    return None if math.isnan(value) else round(value, 2)
