"""A heater that does not heat: a call that brings no warmth, or no call though the water is cold."""

import math
from typing import TYPE_CHECKING

from tankwatch.alarms.model import Condition, Priority
from tankwatch.watchdog.forecast import minutes_to_low
from tankwatch.watchdog.warmth import (
    ARRIVES,
    LAG_S,
    WINDOW_K,
    falls_freely,
    rise_k,
    rounded,
    usual_bottom_c,
    window_s,
)
from tankwatch.watchdog.words import beyond_text, limit_text

if TYPE_CHECKING:
    from tankwatch.watchdog.tank import TankWatch

_UNDER_BOTTOM_K = 0.4
_UNDER_BOTTOM_TOGETHER_K = 0.7
"""While no heater of the whole room works: time for the neighbours to show that power is lost."""
_SUSPICIOUS_K = 0.25
_NEEDED_MINUTES = 2
_IDLE_WINDOW_S = 1200.0
_NEWEST_S = 600.0
_NEWEST_FALL_K = 0.15
_OTHER_COOLING_SHARE = -0.7
_OTHER_COOLING_K_PER_H = 0.6
"""Faster than the water cools by itself by both of these: something cold, not a lack of heat."""


class NoHeatRule:
    """`heater-no-heat`."""

    __slots__ = ("_cold", "_dead", "is_cold_and_idle", "suspicious")

    def __init__(self) -> None:
        """Start without suspicion."""
        self._cold = 0
        self._dead = 0
        self.suspicious = False
        self.is_cold_and_idle = False
        """The water is below its usual bottom and no heat comes: one tank of a power loss, perhaps."""

    @property
    def is_in_doubt(self) -> bool:
        """Tell whether the heater was seen to bring no warmth in the newest minutes."""
        return self._dead > 0

    def minute(self, tank: "TankWatch", now_s: float, water_c: float) -> None:
        """Judge the newest minute."""
        self.suspicious = self.is_cold_and_idle = False
        heating = tank.heating_now(now_s)
        under_k = usual_bottom_c(tank) - water_c
        if heating is True:
            self._cold = 0
            share = self._judge_call(tank, now_s, water_c, under_k)
        else:
            self._dead = 0
            share = self._judge_idle(tank, now_s, water_c, under_k, heating)
        if max(self._dead, self._cold) >= _NEEDED_MINUTES:
            _tell(tank, now_s, water_c, share, heating)

    def _judge_call(self, tank: "TankWatch", now_s: float, water_c: float, under_k: float) -> float:
        """Judge a heater that is on; return the share of its warmth that arrives."""
        since_s = max(tank.cycles.heating_since_s or now_s, tank.settle_until_s)
        span_s = window_s(tank)
        if now_s - since_s - LAG_S < span_s or tank.probe_rules.is_constant(now_s):
            self._dead = 0
            return math.nan
        warmth = tank.heater_rules.warmth
        share = warmth.share(tank, water_c, span_s)
        spread = warmth.share_uncertainty(tank, water_c, span_s)
        dead = share + spread < ARRIVES and not _something_else_cools(tank, water_c, share)
        self._dead = self._dead + 1 if dead else 0
        self.suspicious = dead
        if (under_k < 0.1 and share > 0.7) or rise_k(tank, span_s) > 0.5 * WINDOW_K:
            tank.clear(Condition.HEATER_NO_HEAT, now_s)  # it warms again, slowly or not
        return share

    def _judge_idle(
        self, tank: "TankWatch", now_s: float, water_c: float, under_k: float, heating: bool | None
    ) -> float:
        """Judge water that gets colder than it ever did while no heat comes; return the share arriving."""
        if not tank.cycles.is_known:
            return math.nan
        if under_k < 0.1:
            self._cold = 0
            tank.clear(Condition.HEATER_NO_HEAT, now_s)
            return math.nan
        span_s = max(window_s(tank), _IDLE_WINDOW_S)
        share = tank.heater_rules.warmth.share(tank, water_c, span_s)
        if heating is None and not (share < ARRIVES and falls_freely(tank, water_c)):
            self._cold = 0
            if share > 0.7:
                tank.clear(Condition.HEATER_NO_HEAT, now_s)
            return share
        if under_k > _SUSPICIOUS_K:
            self.suspicious = self.is_cold_and_idle = True
        needed_k = _UNDER_BOTTOM_TOGETHER_K if tank.room_is_unheated else _UNDER_BOTTOM_K
        cold = under_k > needed_k and not _something_else_cools(tank, water_c, share)
        self._cold = self._cold + 1 if cold else 0
        return share


def _something_else_cools(tank: "TankWatch", water_c: float, share: float) -> bool:
    """Tell whether the water falls far faster than it cools by itself."""
    heating = tank.model.heating_k_per_h
    cooling = tank.heater_rules.warmth.cooling(tank, water_c)
    if heating is None or cooling is None or math.isnan(share):
        return False
    if share < _OTHER_COOLING_SHARE and -share * heating.value > _OTHER_COOLING_K_PER_H:
        return True
    fall_k = -rise_k(tank, _NEWEST_S)
    natural_k = 2.0 * max(cooling[0], 0.0) * _NEWEST_S / 3600.0
    return fall_k > natural_k + max(_NEWEST_FALL_K, 2.0 * tank.probe_rules.quantum_c)


def _tell(tank: "TankWatch", now_s: float, water_c: float, share: float, heating: bool | None) -> None:
    cycles = tank.cycles
    bottom_c = usual_bottom_c(tank)
    under_k = bottom_c - water_c
    margin = minutes_to_low(tank, water_c)
    if heating is True:
        what = f"is reported on since {tank.clock_text(cycles.heating_since_s or now_s)}, no warmth arrives"
        likely = ["dead element", "plug or switch off behind the sensor", "heater out of the water"]
    elif heating is False:
        what = f"is not on although the water is {beyond_text(under_k, 0.0)} °C below where it always came on"
        likely = ["unplugged, or its fuse or residual-current device is off", "thermostat failed"]
    else:
        under = beyond_text(under_k, 0.0)
        what = f"is not measured; the water is {under} °C below where it always turned, still falling"
        likely = ["unplugged or without power", "dead element", "thermostat failed"]
    tank.tell(
        Condition.HEATER_NO_HEAT,
        Priority.CRITICAL if margin is not None and margin < 60.0 else Priority.HIGH,
        now_s,
        f"Water {water_c:.1f} °C and the heater {what}. {limit_text(margin, 'low')}"
        "First look at plug, fuse and pilot lamp; unplug before hands go in.",
        since_s=cycles.heating_since_s if heating else cycles.idle_since_s,
        value=round(water_c, 3),
        margin_min=margin,
        evidence={
            "usual_bottom_c": round(bottom_c, 3),
            "share_of_heat_arriving": rounded(share),
            "likely": likely,
        },
    )
