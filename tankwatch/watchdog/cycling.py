"""How the thermostat behaves: too many short cycles, or a cycle that creeps away from its place."""

import itertools
from collections import deque
from typing import TYPE_CHECKING

from tankwatch.alarms.model import Condition, Priority
from tankwatch.watchdog.words import minutes_text

if TYPE_CHECKING:
    from tankwatch.watchdog.tank import TankWatch

_WINDOW_S = 1800.0
_FEWEST_STARTS = 6
_TIMES_USUAL = 4.0
_SPREAD_S = 720.0
_WIDEST_PAUSE_S = 600.0
_UNKNOWN_PERIOD_S = 180.0
_LONGEST_SHORT_S = 1500.0
_LONG_WINDOW_S = 9000.0
_DRIFT_K = 0.45
_OFF_SETPOINT_K = 0.75


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
        while starts[0] < now_s - _LONG_WINDOW_S:
            starts.popleft()
        if len(starts) < _FEWEST_STARTS or tank.in_service(now_s):
            return
        usual_s = tank.cycles.period_s if tank.cycles.is_known else None
        # Enough starts to rule out a flutter at one switching point: a quarter of an hour at the least.
        times = [t for t in starts if t >= now_s - _WINDOW_S]
        if len(times) < _FEWEST_STARTS:
            times = list(starts)[-_FEWEST_STARTS:]
        span_s = times[-1] - times[0]
        mean_s = span_s / (len(times) - 1)
        longest_s = _UNKNOWN_PERIOD_S if usual_s is None else min(usual_s / _TIMES_USUAL, _LONGEST_SHORT_S)
        if span_s < _SPREAD_S or mean_s > longest_s:
            return
        if max(b - a for a, b in itertools.pairwise(times)) > max(_WIDEST_PAUSE_S, 2.0 * mean_s):
            return
        usual = "" if usual_s is None else f", usually every {usual_s / 60:.0f} min"
        count = len(times)
        tank.tell(
            Condition.HEATER_SHORT_CYCLING,
            Priority.MEDIUM,
            now_s,
            f"The heater came on {count} times in {minutes_text(span_s / 60)}{usual}. "
            "Contacts wear out and weld. Look at the thermostat's place in the water and at the relay.",
            since_s=times[0],
            value=float(count),
            evidence={
                "starts": count,
                "mean_period_min": round(mean_s / 60, 1),
                "usual_period_min": None if usual_s is None else round(usual_s / 60, 1),
                "likely": ["worn thermostat", "thermostat in the heater's own warm stream", "loose contact"],
            },
        )

    def ten_minutes(self, tank: "TankWatch", now_s: float) -> None:
        """See whether the short cycling is over, and whether the cycle has moved."""
        starts = self._starts
        if sum(t > now_s - _WINDOW_S for t in starts) < 2:
            tank.clear(Condition.HEATER_SHORT_CYCLING, now_s)
        self._drift(tank, now_s)

    def _drift(self, tank: "TankWatch", now_s: float) -> None:
        cycles = tank.cycles
        if cycles.centre_c is None or not cycles.is_known or cycles.seen < 6 or tank.probe_rules.mistrusted:
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
            f"it has moved by {moved_k:+.1f} °C since it was learned"
            if abs(moved_k) > _DRIFT_K
            else "it always did"
        )
        tank.tell(
            Condition.THERMOSTAT_DRIFT,
            Priority.LOW,
            now_s,
            f"The heater holds the water around {cycles.centre_c:.1f} °C, {off_k:+.1f} °C from the setpoint "
            f"{setpoint_c:g} °C; {moved}. Compare with a thermometer, then turn the dial or change it.",
            value=round(cycles.centre_c, 3),
            evidence={
                "off_setpoint_k": round(off_k, 3),
                "moved_k": round(moved_k, 3),
                "likely": ["thermostat wears", "dial was turned", "probe drifts"],
            },
        )
