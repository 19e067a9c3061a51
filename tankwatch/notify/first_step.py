"""For each condition: its name in plain words, the first thing to do, and the caution that goes with it.

Short enough for a telephone at three in the morning. What to do is common practice, no published source.
"""

from typing import NamedTuple

from tankwatch.alarms.model import Condition


class FirstStep(NamedTuple):
    """What a message says of a condition."""

    what: str
    do: str
    caution: str = ""


_UNPLUG = "Unplug before hands go in."
_MAINS = "Mains work: a licensed person."

FIRST_STEPS: dict[Condition, FirstStep] = {
    Condition.TOO_COLD: FirstStep("too cold", "is the heater plugged in and under water?", _UNPLUG),
    Condition.TOO_WARM: FirstStep("too warm", "unplug the heater; move the surface for air.", _UNPLUG),
    Condition.COOLING_FAST: FirstStep("cooling fast", "cold water filled in? heater under water?", _UNPLUG),
    Condition.WARMING_FAST: FirstStep("warming fast", "heater on above its setpoint? Unplug it.", _UNPLUG),
    Condition.WIDE_SWING: FirstStep("wide swing in a day", "look at lid, sun and room heating."),
    Condition.HEATER_STUCK_ON: FirstStep("heater stuck on", "unplug the heater now.", _UNPLUG),
    Condition.HEATER_NO_HEAT: FirstStep("heater gives no heat", "is its plug in, its fuse whole?", _UNPLUG),
    Condition.HEATER_OVERLOADED: FirstStep("heater too weak", "lid on, windows shut, warm room.", _UNPLUG),
    Condition.HEATER_DUTY_HIGH: FirstStep("heater works too much", "lid off, a draught, a leak?", _UNPLUG),
    Condition.HEATER_SHORT_CYCLING: FirstStep(
        "heater switches too often", "does the outlet blow on the thermostat?", _UNPLUG
    ),
    Condition.THERMOSTAT_DRIFT: FirstStep("thermostat drifts", "compare a second thermometer.", _UNPLUG),
    Condition.HEATER_EXPOSED: FirstStep(
        "heater out of water", "unplug it now; let it cool, then fill up.", "No cold water on hot glass."
    ),
    Condition.LIGHT_OVERRUN: FirstStep("light on too long", "look at the timer."),
    Condition.LIGHT_AFTER_HOURS: FirstStep("light on after hours", "look at the timer."),
    Condition.LIGHT_MISSED: FirstStep("light did not come on", "look at lamp and timer."),
    Condition.PROBE_SILENT: FirstStep("probe silent, unwatched", "measure by hand; look at its cable."),
    Condition.PROBE_FAULTY: FirstStep("probe faulty, unwatched", "measure by hand; look at its plug."),
    Condition.PROBE_FROZEN: FirstStep("probe frozen, unwatched", "measure by hand; restart the probe."),
    Condition.PROBE_OUT_OF_WATER: FirstStep(
        "probe out of water", "did the level fall? Then unplug the heater.", _UNPLUG
    ),
    Condition.POWER_LOSS: FirstStep("no power", "look at the fuse box; then air, then warmth.", _MAINS),
    Condition.SOURCE_LOST: FirstStep("source lost, unwatched", "look at the tanks, then at its cable."),
    Condition.WATCH_STALLED: FirstStep("the watch stands still", "look at the tanks, then restart it."),
    Condition.STORE_BEHIND: FirstStep("store behind", "is the disk full or slow?"),
}
