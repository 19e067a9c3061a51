"""A heater that cannot hold its tank: full duty, and the water falls all the same."""

from typing import TYPE_CHECKING

from tankwatch.alarms.model import Condition, Priority
from tankwatch.watchdog.warmth import ARRIVES, falls_freely, rounded, usual_bottom_c
from tankwatch.watchdog.words import limit_text, minutes_text

if TYPE_CHECKING:
    from tankwatch.watchdog.tank import TankWatch

_FULL_DUTY_S = 2400.0
_FULL_DUTY_WHILE_UNKNOWN_S = 2 * 3600.0
_UNDER_K = 0.15
_UNDER_UNMEASURED_K = 0.4
_NEEDED_MINUTES = 2


class OverloadRule:
    """`heater-overloaded`."""

    __slots__ = ("_minutes", "_under_since_s", "suspicious")

    def __init__(self) -> None:
        """Start without suspicion."""
        self._minutes = 0
        self._under_since_s = float("inf")
        self.suspicious = False

    def minute(self, tank: "TankWatch", now_s: float, water_c: float) -> None:
        """Judge the newest minute."""
        self.suspicious = False
        cycles = tank.cycles
        under_k = usual_bottom_c(tank) - water_c
        heating = tank.heating_now(now_s)
        if under_k < 0.0 or heating is False:
            self._minutes = 0
            self._under_since_s = now_s
            tank.clear(Condition.HEATER_OVERLOADED, now_s)
            return
        began_s = cycles.heating_since_s if heating else self._under_since_s
        on_s = now_s - max(began_s or now_s, tank.settle_until_s)
        needed_s = _FULL_DUTY_S if cycles.is_known else _FULL_DUTY_WHILE_UNKNOWN_S
        if on_s < needed_s or under_k < (_UNDER_K if heating else _UNDER_UNMEASURED_K):
            self._minutes = 0
            return
        then = tank.track.index_at(tank.track.time_s[-1] - _FULL_DUTY_S)
        if then is None:
            return
        change_k = water_c - tank.track.smooth_c(then)
        share = tank.heater_rules.warmth.share(tank, water_c, _FULL_DUTY_S)
        if heating is None and not (cycles.is_known and not falls_freely(tank, water_c)):
            return  # without a measured state only a known heater can be said to heat too little
        falls = change_k < -0.02 or (change_k < 0.02 and under_k > 0.4)
        self.suspicious = falls and (heating is None or not share < ARRIVES)
        self._minutes = self._minutes + 1 if self.suspicious else 0
        if self._minutes >= _NEEDED_MINUTES:
            _tell(tank, now_s, water_c, on_s, change_k, share)


def _tell(
    tank: "TankWatch", now_s: float, water_c: float, on_s: float, change_k: float, share: float
) -> None:
    pace_k_per_h = -change_k * 3600.0 / _FULL_DUTY_S
    ahead_k = water_c - tank.config.band_low_c
    margin = round(max(0.0, ahead_k / pace_k_per_h * 60.0), 1) if pace_k_per_h > 0.01 else None
    tank.tell(
        Condition.HEATER_OVERLOADED,
        Priority.HIGH,
        now_s,
        f"Water {water_c:.1f} °C and falling although the heater has been on for {minutes_text(on_s / 60)}: "
        f"it cannot hold this tank in this room. {limit_text(margin, 'low')}"
        "Close lid and windows, cover the sides, warm the room.",
        since_s=tank.cycles.heating_since_s,
        value=round(water_c, 3),
        margin_min=margin,
        evidence={
            "usual_bottom_c": round(usual_bottom_c(tank), 3),
            "change_k_in_40_min": round(change_k, 3),
            "share_of_heat_arriving": rounded(share),
            "likely": ["room too cold for this heater", "lid off or draught", "element partly failed"],
        },
    )
