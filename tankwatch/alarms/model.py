"""The words of alarms: conditions, priorities, states, and what is written down of each change.

States are those of ANSI/ISA-18.2 and IEC 62682.
"""

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any


class Condition(StrEnum):
    """What can be wrong, by family."""

    TOO_COLD = "too-cold"
    TOO_WARM = "too-warm"
    COOLING_FAST = "cooling-fast"
    WARMING_FAST = "warming-fast"
    WIDE_SWING = "wide-swing"

    HEATER_STUCK_ON = "heater-stuck-on"
    HEATER_NO_HEAT = "heater-no-heat"
    HEATER_OVERLOADED = "heater-overloaded"
    HEATER_DUTY_HIGH = "heater-duty-high"
    HEATER_SHORT_CYCLING = "heater-short-cycling"
    THERMOSTAT_DRIFT = "thermostat-drift"
    HEATER_EXPOSED = "heater-exposed"

    LIGHT_OVERRUN = "light-overrun"
    LIGHT_AFTER_HOURS = "light-after-hours"
    LIGHT_MISSED = "light-missed"

    PROBE_SILENT = "probe-silent"
    PROBE_FAULTY = "probe-faulty"
    PROBE_FROZEN = "probe-frozen"
    PROBE_OUT_OF_WATER = "probe-out-of-water"

    POWER_LOSS = "power-loss"
    SOURCE_LOST = "source-lost"
    WATCH_STALLED = "watch-stalled"
    STORE_BEHIND = "store-behind"


class Priority(StrEnum):
    """How soon someone must act."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"
    CRITICAL = "critical"

    @property
    def rank(self) -> int:
        """0 for low up to 3 for critical."""
        return _RANKS[self]


_RANKS = {Priority.LOW: 0, Priority.MEDIUM: 1, Priority.HIGH: 2, Priority.CRITICAL: 3}


class AlarmState(StrEnum):
    """Where an alarm stands in its life (ANSI/ISA-18.2, IEC 62682)."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned"
    LATCHED = "latched"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed"
    OUT_OF_SERVICE = "out of service"


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm as it stands.

    `tank` is None for the whole room or the watch itself; `subject` then names the source concerned, if
    any. `margin_min` is the time left to the nearest limit in minutes, where the model can tell.
    """

    alarm_id: int
    tank: str | None
    condition: Condition
    state: AlarmState
    priority: Priority
    since_s: float
    """When the condition became true, seconds since 1970 UTC."""
    changed_s: float
    """When the state last changed."""
    message: str
    value: float | None = None
    margin_min: float | None = None
    evidence: dict[str, Any] = field(default_factory=dict)
    subject: str | None = None
    who: str | None = None
    """Who acknowledged it, or put it away."""
    holds: bool = True
    """Whether the condition is true now; an alarm that is put away goes on following it."""
    until_s: float | None = None
    """When a shelved alarm comes back, seconds since 1970 UTC."""


@dataclass(frozen=True, slots=True)
class Transition:
    """One step in an alarm's life, as recorded and as printed by replay."""

    alarm: Alarm
    """The alarm after the step."""
    from_state: AlarmState
    time_s: float
    who: str | None = None
    why: str | None = None
