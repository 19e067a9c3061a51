"""Heater faults told by the model before a limit is reached: the three rules, asked in order."""

from typing import TYPE_CHECKING

from tankwatch.alarms.model import Condition, Priority
from tankwatch.watchdog.noheat import NoHeatRule
from tankwatch.watchdog.overload import OverloadRule
from tankwatch.watchdog.stuck import StuckRule
from tankwatch.watchdog.warmth import Warmth

if TYPE_CHECKING:
    from tankwatch.watchdog.tank import TankWatch

_NAMED = (Condition.HEATER_STUCK_ON, Condition.HEATER_NO_HEAT, Condition.HEATER_OVERLOADED)


class HeaterRules:
    """Stuck on, no heat, overloaded; and exposed, during service."""

    __slots__ = ("_no_heat", "_overload", "_stuck", "suspicious", "warmth")

    def __init__(self) -> None:
        """Start without suspicion."""
        self.warmth = Warmth()
        self._stuck = StuckRule()
        self._no_heat = NoHeatRule()
        self._overload = OverloadRule()
        self.suspicious = False
        """Something is odd: what is read now is not learned from."""

    @property
    def is_cold_and_idle(self) -> bool:
        """Tell whether the water is below its usual bottom and no heat comes."""
        return self._no_heat.is_cold_and_idle

    def minute(self, tank: "TankWatch", now_s: float, water_c: float) -> None:
        """Judge the newest minute."""
        self.warmth.follow(tank, now_s, water_c, in_doubt=self._no_heat.is_in_doubt)
        self._stuck.minute(tank, now_s, water_c)
        self.suspicious = self._stuck.suspicious
        # Water that falls faster than any heater could matter is told as that, and as nothing else.
        outrun = tank.is_active(Condition.COOLING_FAST) and not tank.is_active(Condition.HEATER_NO_HEAT)
        if not outrun and not tank.is_active(Condition.HEATER_STUCK_ON):
            self._no_heat.minute(tank, now_s, water_c)
            self._overload.minute(tank, now_s, water_c)
            self.suspicious = self.suspicious or self._no_heat.suspicious or self._overload.suspicious
        if any(tank.is_active(condition) for condition in _NAMED):
            tank.cycles.disturb()

    @staticmethod
    def exposed(tank: "TankWatch", on: bool, now_s: float) -> None:
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
