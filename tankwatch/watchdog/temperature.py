"""What the fish feel: limits, the change over one hour, the range over 24 hours.

These rules need nothing learned, and service never holds back the limits or a fast cooling.
"""

from typing import TYPE_CHECKING, Any

from tankwatch.alarms.model import Condition, Priority
from tankwatch.reading import ServiceMark
from tankwatch.watchdog.slots import Slots
from tankwatch.watchdog.words import beyond_text, minutes_text

if TYPE_CHECKING:
    from tankwatch.watchdog.tank import TankWatch

_COMING_BACK_S = 1200.0
_DEADBAND_K = 0.2
_ON_DELAY_S = 60.0  # on-delay of a temperature alarm, EEMUA 191 starting value (from memory)
_HOUR_S = 3600.0
_DAY_SLOTS = 144
_CRITICAL_BEYOND_K = 1.0


class TemperatureRules:
    """Limits, rate and swing of one tank."""

    __slots__ = ("_beyond_since_s", "_explained_until_s", "_slot", "_swing", "rate_k_per_h", "swing_k")

    def __init__(self) -> None:
        """Start with no history."""
        self.rate_k_per_h: float | None = None
        """Change over the last hour, K."""
        self._beyond_since_s: float | None = None
        self.swing_k: float | None = None
        """Range of the water over the last 24 hours, K; None before anything is known."""
        self._swing = Slots(3, _DAY_SLOTS)
        """Time, lowest and highest temperature, one every ten minutes."""
        self._slot: tuple[float, float] | None = None
        self._explained_until_s = float("-inf")

    def minute(self, tank: "TankWatch", now_s: float, water_c: float) -> None:
        """Judge the newest minute; `water_c` is the mean of the last three."""
        self._limits(tank, now_s, water_c)
        self._rate(tank, now_s, water_c)
        held_back = tank.in_service(now_s) or tank.recovering or tank.probe_rules.mistrusted
        if not held_back and not tank.probe_rules.holds_back_rate(now_s):
            slot = self._slot
            self._slot = (
                (water_c, water_c) if slot is None else (min(slot[0], water_c), max(slot[1], water_c))
            )

    def _limits(self, tank: "TankWatch", now_s: float, water_c: float) -> None:
        low_c, high_c = tank.config.band_low_c, tank.config.band_high_c
        cold, warm = water_c < low_c, water_c > high_c
        if not (cold or warm):
            self._beyond_since_s = None
            if water_c > low_c + _DEADBAND_K:
                tank.clear(Condition.TOO_COLD, now_s)
            if water_c < high_c - _DEADBAND_K:
                tank.clear(Condition.TOO_WARM, now_s)
            return
        if self._beyond_since_s is None:
            self._beyond_since_s = now_s
        if now_s - self._beyond_since_s < _ON_DELAY_S or tank.probe_rules.holds_back_rate(now_s):
            return
        if cold and _comes_back(tank, now_s):
            return  # told as power loss already, and on its way back
        condition = Condition.TOO_COLD if cold else Condition.TOO_WARM
        limit_c = low_c if cold else high_c
        beyond_k = abs(water_c - limit_c)
        side = "below the low" if cold else "above the high"
        first = (
            "Check that the heater is plugged in, under water and warm; warm the water slowly."
            if cold
            else "Unplug the heater, switch the light off, lift the lid and stir the surface; cool slowly."
        )
        tank.tell(
            condition,
            Priority.CRITICAL if beyond_k > _CRITICAL_BEYOND_K else Priority.HIGH,
            now_s,
            f"Water {beyond_text(water_c, limit_c)} °C, {beyond_text(beyond_k, 0.0)} °C {side} limit "
            f"{limit_c:g} °C. {first}",
            since_s=self._beyond_since_s,
            value=round(water_c, 3),
            margin_min=0.0,
            evidence={"limit_c": limit_c},
        )

    def _rate(self, tank: "TankWatch", now_s: float, water_c: float) -> None:
        track = tank.track
        then = track.index_at(track.time_s[-1] - _HOUR_S)
        if then is None:
            # Not an hour known yet: a change since the start is already larger than it may be in an hour.
            if not track.time_s or now_s - track.time_s[0] > _HOUR_S + 5 * track.bin_s or len(track) < 6:
                self.rate_k_per_h = None
                return
            then = 2
        change_k = water_c - track.smooth_c(then, 2)
        self.rate_k_per_h = change_k
        limit_k = tank.config.max_rate_c_per_h
        if abs(change_k) < 0.8 * limit_k:
            tank.clear(Condition.COOLING_FAST, now_s)
            tank.clear(Condition.WARMING_FAST, now_s)
            return
        if abs(change_k) <= limit_k or tank.probe_rules.holds_back_rate(now_s):
            return
        if change_k > 0 and self._is_recovery(tank, water_c):
            return
        condition = Condition.COOLING_FAST if change_k < 0 else Condition.WARMING_FAST
        ahead_k = tank.config.band_low_c - water_c if change_k < 0 else tank.config.band_high_c - water_c
        margin_min = max(0.0, ahead_k / change_k * 60.0)
        tank.tell(
            condition,
            Priority.HIGH,
            now_s,
            f"Water {water_c:.1f} °C, {'down' if change_k < 0 else 'up'} "
            f"{beyond_text(abs(change_k), limit_k)} °C in an hour "
            f"(at most {limit_k:g}). At this pace {minutes_text(margin_min)} to the limit. "
            + (
                "Look for cold water, a draught, an open lid, a heater without power."
                if change_k < 0
                else "Look for sun on the glass, hot water, a second heater, a heater that does not stop."
            ),
            since_s=track.time_s[then],
            value=round(change_k, 3),
            margin_min=round(margin_min, 1),
            evidence={"change_k_in_1_h": round(change_k, 3), "limit_k": limit_k},
        )

    def _is_recovery(self, tank: "TankWatch", water_c: float) -> bool:
        """Tell whether the heater is only bringing the water back after work or after a cold spell."""
        top_c = tank.cycles.top_c
        ceiling_c = tank.config.setpoint_c if top_c is None else top_c
        recovers = (
            tank.recovering
            or tank.service is not ServiceMark.END
            or tank.track.time_s[-1] - tank.recovered_s < _HOUR_S
        )
        return recovers and water_c <= ceiling_c + 0.2

    def ten_minutes(self, tank: "TankWatch", now_s: float) -> None:
        """Judge the range over the last 24 hours."""
        if self._slot is not None:
            self._swing.append(now_s, *self._slot)
            self._slot = None
        self._swing.drop_before(now_s - 24 * _HOUR_S - 300.0)
        self._measure_swing()
        swing_k = self.swing_k
        if swing_k is None:
            return
        limit_k = tank.config.max_daily_swing_c
        if tank.is_explained(Condition.WIDE_SWING):
            self._explained_until_s = now_s + 24 * _HOUR_S
        if swing_k < limit_k - _DEADBAND_K:
            tank.clear(Condition.WIDE_SWING, now_s)
        elif swing_k > limit_k and now_s > self._explained_until_s:
            time_s, lows_c, highs_c = self._swing.columns
            low_c, high_c = min(lows_c), max(highs_c)
            # True since the later of the two extremes was reached, not since the 24 hours began.
            reached_s = max(time_s[lows_c.index(low_c)], time_s[highs_c.index(high_c)])
            tank.tell(
                Condition.WIDE_SWING,
                Priority.MEDIUM,
                now_s,
                f"Water between {low_c:.1f} and {high_c:.1f} °C within 24 hours: "
                f"{beyond_text(swing_k, limit_k)} °C "
                f"(at most {limit_k:g}). Look at the room's heating, sun on the glass and the lid.",
                since_s=reached_s,
                value=round(swing_k, 3),
                evidence={"low_c": round(low_c, 3), "high_c": round(high_c, 3), "limit_k": limit_k},
            )

    def _measure_swing(self) -> None:
        """Measure the range once for all who ask: the picture does every second."""
        _, lows_c, highs_c = self._swing.columns
        self.swing_k = max(highs_c) - min(lows_c) if len(self._swing) else None

    def remember(self, shift_s: float) -> dict[str, Any]:
        """Return the ranges of the last 24 hours, fit for JSON; times as the probe stamps them."""
        return {"swing": [[time_s - shift_s, low_c, high_c] for time_s, low_c, high_c in self._swing]}

    def recall(self, memory: dict[str, Any]) -> None:
        """Take up what `remember` returned earlier."""
        for slot in memory.get("swing") or []:
            if len(slot) == 3:
                self._swing.append(float(slot[0]), float(slot[1]), float(slot[2]))
        self._measure_swing()

    def forget_swing(self, now_s: float) -> None:
        """Start the range anew: work explains what came before."""
        self._swing.clear()
        self.swing_k = None
        self._slot = None


def _comes_back(tank: "TankWatch", now_s: float) -> bool:
    """Tell whether cold water is being warmed again after a power loss."""
    if tank.power_back_s is None:
        return False
    track = tank.track
    then = track.index_at(track.time_s[-1] - _COMING_BACK_S)
    if then is None or now_s - tank.power_back_s < _COMING_BACK_S:
        return True  # too early to tell
    return track.newest_c() - track.smooth_c(then) > 0.05
