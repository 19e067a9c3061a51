"""How the thermostat behaves: too many short cycles, or a cycle that creeps away from its place."""

from collections import deque
from typing import TYPE_CHECKING

from tankwatch.alarms.model import Condition, Priority

if TYPE_CHECKING:
    from tankwatch.watchdog.tank import TankWatch

_WINDOW_S = 1800.0
_FEWEST_STARTS = 6
_TIMES_USUAL = 4.0
_SPREAD_S = 720.0
_WIDEST_PAUSE_S = 600.0
_STARTS_WHILE_UNKNOWN = 10
_DRIFT_K = 0.45
_OFF_SETPOINT_K = 1.0


class CyclingRules:
    """Short cycling and thermostat drift of one tank."""

    __slots__ = ("_starts",)

    def __init__(self) -> None:
        """Start with no switching seen."""
        self._starts: deque[float] = deque(maxlen=128)

    def switched(self, tank: "TankWatch", on: bool, now_s: float) -> None:
        """Note a measured switch of the heater."""
        if not on:
            return
        starts = self._starts
        starts.append(now_s)
        while starts[0] < now_s - _WINDOW_S:
            starts.popleft()
        count = len(starts)
        if count < _FEWEST_STARTS or starts[-1] - starts[0] < _SPREAD_S or tank.in_service(now_s):
            return
        usual_s = tank.cycles.period_s if tank.cycles.is_known else None
        needed = _STARTS_WHILE_UNKNOWN if usual_s is None else max(_FEWEST_STARTS, _TIMES_USUAL * _WINDOW_S / usual_s)
        if count < needed:
            return
        times = list(starts)
        if max(b - a for a, b in zip(times, times[1:], strict=False)) > _WIDEST_PAUSE_S:
            return
        usual = "" if usual_s is None else f", usually every {usual_s / 60:.0f} min"
        tank.tell(
            Condition.HEATER_SHORT_CYCLING,
            Priority.MEDIUM,
            now_s,
            f"The heater came on {count} times in the last 30 minutes{usual}. Contacts wear out and weld. "
            "Look at the thermostat's place in the water, its sensor and the relay.",
            since_s=starts[0],
            value=float(count),
            evidence={
                "starts_in_30_min": count,
                "usual_period_min": None if usual_s is None else round(usual_s / 60, 1),
                "likely": ["worn thermostat", "thermostat in the heater's own warm stream", "loose contact"],
            },
        )

    def ten_minutes(self, tank: "TankWatch", now_s: float) -> None:
        """See whether the short cycling is over, and whether the cycle has moved."""
        starts = self._starts
        while starts and starts[0] < now_s - _WINDOW_S:
            starts.popleft()
        if len(starts) < _FEWEST_STARTS // 2:
            tank.clear(Condition.HEATER_SHORT_CYCLING, now_s)
        self._drift(tank, now_s)

    def _drift(self, tank: "TankWatch", now_s: float) -> None:
        cycles = tank.cycles
        if cycles.centre_c is None or cycles.seen < 6 or tank.probe_rules.mistrusted:
            return
        setpoint_c = tank.config.setpoint_c
        moved_k = 0.0 if cycles.baseline_c is None else cycles.centre_c - cycles.baseline_c
        off_k = cycles.centre_c - setpoint_c
        if abs(moved_k) < 0.6 * _DRIFT_K and abs(off_k) < 0.8 * _OFF_SETPOINT_K:
            tank.clear(Condition.THERMOSTAT_DRIFT, now_s)
            return
        if abs(moved_k) <= _DRIFT_K and abs(off_k) <= _OFF_SETPOINT_K:
            return
        moved = (
            f"it has moved by {moved_k:+.1f} K since it was learned" if abs(moved_k) > _DRIFT_K else "it always did"
        )
        tank.tell(
            Condition.THERMOSTAT_DRIFT,
            Priority.LOW,
            now_s,
            f"The heater holds the water around {cycles.centre_c:.1f} °C, {off_k:+.1f} K from the setpoint "
            f"{setpoint_c:g} °C; {moved}. Compare with a thermometer, then turn the dial or change the thermostat.",
            value=round(cycles.centre_c, 3),
            evidence={
                "off_setpoint_k": round(off_k, 3),
                "moved_k": round(moved_k, 3),
                "likely": ["thermostat wears", "dial was turned", "probe drifts"],
            },
        )
