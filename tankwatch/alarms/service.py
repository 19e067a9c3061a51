"""Which standing alarms work in a tank explains: they are suppressed while hands are in it."""

from tankwatch.alarms.model import Condition

EXPLAINED_BY_WORK = frozenset(
    {
        Condition.WIDE_SWING,
        Condition.HEATER_NO_HEAT,
        Condition.HEATER_DUTY_HIGH,
        Condition.HEATER_SHORT_CYCLING,
        Condition.THERMOSTAT_DRIFT,
        Condition.PROBE_SILENT,
        Condition.PROBE_FAULTY,
        Condition.PROBE_FROZEN,
        Condition.PROBE_OUT_OF_WATER,
    }
)
"""Never what the fish feel (limits, rates), never an exposed or stuck heater."""
