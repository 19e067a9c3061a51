"""Which condition explains which: one cause gives one alarm, with its consequences folded into it."""

from tankwatch.alarms.model import Condition

_COLD = (Condition.TOO_COLD, Condition.COOLING_FAST, Condition.WIDE_SWING)
_WARM = (Condition.TOO_WARM, Condition.WARMING_FAST, Condition.WIDE_SWING)
_BOTH = (*_COLD, Condition.TOO_WARM, Condition.WARMING_FAST)

CONSEQUENCES: dict[Condition, tuple[Condition, ...]] = {
    Condition.HEATER_NO_HEAT: (
        *_COLD,
        Condition.HEATER_OVERLOADED,
        Condition.HEATER_DUTY_HIGH,
        Condition.THERMOSTAT_DRIFT,
    ),
    Condition.HEATER_OVERLOADED: (*_COLD, Condition.HEATER_DUTY_HIGH, Condition.THERMOSTAT_DRIFT),
    Condition.HEATER_STUCK_ON: (
        *_WARM,
        Condition.HEATER_NO_HEAT,
        Condition.HEATER_OVERLOADED,
        Condition.HEATER_DUTY_HIGH,
        Condition.THERMOSTAT_DRIFT,
    ),
    Condition.POWER_LOSS: (
        *_COLD,
        Condition.HEATER_NO_HEAT,
        Condition.HEATER_OVERLOADED,
        Condition.THERMOSTAT_DRIFT,
        Condition.PROBE_SILENT,
        Condition.LIGHT_MISSED,
        Condition.HEATER_DUTY_HIGH,
    ),
    Condition.PROBE_OUT_OF_WATER: (
        *_BOTH,
        Condition.HEATER_NO_HEAT,
        Condition.HEATER_STUCK_ON,
        Condition.HEATER_OVERLOADED,
        Condition.PROBE_FAULTY,
    ),
    Condition.PROBE_FROZEN: (
        Condition.WIDE_SWING,
        Condition.HEATER_NO_HEAT,
        Condition.HEATER_STUCK_ON,
        Condition.HEATER_OVERLOADED,
    ),
    Condition.PROBE_FAULTY: (*_BOTH, Condition.HEATER_NO_HEAT, Condition.HEATER_STUCK_ON),
    Condition.HEATER_SHORT_CYCLING: (Condition.HEATER_DUTY_HIGH,),
    Condition.TOO_COLD: (Condition.WIDE_SWING,),
    Condition.TOO_WARM: (Condition.WIDE_SWING,),
    Condition.COOLING_FAST: (Condition.WIDE_SWING,),
    Condition.WARMING_FAST: (Condition.WIDE_SWING,),
}
"""By cause: what it may bring about."""

ROOTS: dict[Condition, tuple[Condition, ...]] = {}
"""By condition: the causes that explain it, derived from `CONSEQUENCES`."""
for _cause, _effects in CONSEQUENCES.items():
    for _effect in _effects:
        ROOTS[_effect] = (*ROOTS.get(_effect, ()), _cause)
