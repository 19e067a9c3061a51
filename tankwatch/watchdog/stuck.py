"""A heater that does not stop: heat without a call."""

from typing import TYPE_CHECKING

from tankwatch.alarms.model import Condition, Priority
from tankwatch.watchdog.forecast import minutes_to_high
from tankwatch.watchdog.warmth import ARRIVES, LAG_S, rise_k, rounded, usual_top_c, window_s
from tankwatch.watchdog.words import limit_text

if TYPE_CHECKING:
    from tankwatch.watchdog.tank import TankWatch

_OVER_TOP_K = 0.7
_SUSPICIOUS_K = 0.25
_BACK_K = 0.15
_FALL_S = 1500.0
_NEEDED_MINUTES = 2
_FITS = (0.7, 1.25)
"""Between these shares of the heater's own warmth a rise is its work; beyond, sun or hot water."""


class StuckRule:
    """`heater-stuck-on`."""

    __slots__ = ("_minutes", "suspicious")

    def __init__(self) -> None:
        """Start without suspicion."""
        self._minutes = 0
        self.suspicious = False

    def minute(self, tank: "TankWatch", now_s: float, water_c: float) -> None:
        """Judge the newest minute."""
        self.suspicious = False
        cycles = tank.cycles
        top_c = usual_top_c(tank)
        over_k = water_c - top_c
        heating = tank.heating_now(now_s)
        if over_k < _BACK_K or (heating is not True and _has_stopped(tank, water_c)):
            self._minutes = 0
            if tank.is_active(Condition.HEATER_STUCK_ON):
                tank.clear(Condition.HEATER_STUCK_ON, now_s)
                if heating is False and over_k >= _BACK_K:
                    # It does stop, only higher up than before: that is where the cycle turns now.
                    cycles.accept_top(water_c - rise_k(tank, _FALL_S))
            return
        if over_k < _SUSPICIOUS_K or (heating is None and not cycles.is_known):
            return  # without a measured state only a known thermostat can be said not to stop
        is_on_for_long = heating is True and now_s - (cycles.heating_since_s or now_s) > LAG_S
        share = tank.heater_rules.warmth.share(tank, water_c, window_s(tank))
        rises = heating is not True and _FITS[0] < share < _FITS[1] and _is_heating(tank)
        self.suspicious = is_on_for_long or rises
        self._minutes = self._minutes + 1 if over_k >= _OVER_TOP_K and self.suspicious else 0
        if self._minutes >= _NEEDED_MINUTES:
            _tell(tank, now_s, water_c, top_c, share, heating)


def _has_stopped(tank: "TankWatch", water_c: float) -> bool:
    """Tell whether the water falls as it does without heat, and not because the room cools a little."""
    share = tank.heater_rules.warmth.share(tank, water_c, _FALL_S)
    return rise_k(tank, _FALL_S) < -0.1 and not share > ARRIVES


def _is_heating(tank: "TankWatch") -> bool:
    """Tell whether the water rises about as fast as this heater lifts it, and not as a warm room does."""
    heating, duty = tank.model.heating_k_per_h, tank.cycles.duty
    if heating is None:
        return False
    usual_k_per_h = heating.value * (1.0 - min(duty or 0.0, 0.8))
    span_s = window_s(tank)
    return rise_k(tank, span_s) > 0.4 * usual_k_per_h * span_s / 3600.0


def _tell(
    tank: "TankWatch", now_s: float, water_c: float, top_c: float, share: float, heating: bool | None
) -> None:
    margin = minutes_to_high(tank, water_c)
    newest_k = rise_k(tank, 900.0)
    trend = (
        "still warming" if newest_k > 0.02 else "no longer warming" if newest_k > -0.02 else "cooling again"
    )
    shown = "reported on" if heating else "reported off" if heating is False else "not measured"
    tank.tell(
        Condition.HEATER_STUCK_ON,
        Priority.CRITICAL,
        now_s,
        f"Water {water_c:.1f} °C, {water_c - top_c:.1f} °C above where the heater always stopped "
        f"({top_c:.1f} °C), {trend}; heater {shown}. {limit_text(margin, 'high')}"
        "First unplug the heater, then look at its contacts or thermostat.",
        since_s=tank.cycles.heating_since_s,
        value=round(water_c, 3),
        margin_min=margin,
        evidence={
            "usual_top_c": round(top_c, 3),
            "over_top_k": round(water_c - top_c, 3),
            "share_of_heat_arriving": rounded(share),
            "likely": ["contacts welded", "thermostat out of place or failed", "setpoint turned up by hand"],
        },
    )
