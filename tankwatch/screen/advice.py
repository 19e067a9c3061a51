"""What to look at first for each condition, and the cautions that go with it.

The advice is common practice, no published source, except where the cautions defer to local rules. The
program only watches: it never says that something is safe.
"""

from tankwatch.alarms.model import Condition

UNPLUG_FIRST = "Unplug the heater and the lights before hands or the water level go down."
ELECTRICIAN = "Electrical work is for a licensed person, under local rules."
WATCHES_ONLY = "tankwatch only watches: it switches nothing and is not a safety device."

SERVICE_CAUTIONS = (
    "Unplug the heater, the lights and the pumps before hands or the water level go down.",
    "Let a glass heater cool in the water for some minutes before it leaves the water.",
    "Every plug by the tank: behind residual-current protection, its cable hung in a drip loop.",
    ELECTRICIAN,
)
"""Shown before work in a tank begins."""

_HEATER = (UNPLUG_FIRST, ELECTRICIAN)

_LOOK: dict[Condition, tuple[str, ...]] = {
    Condition.TOO_COLD: (
        "Is the heater plugged in, under water, and set right?",
        "Is the lid on, is a window open, did the room cool?",
        "Warm slowly: no hot water in one go.",
    ),
    Condition.TOO_WARM: (
        "Is the heater off? If its lamp glows above the setpoint, unplug it.",
        "Sun on the glass, a hot room, lights long on?",
        "Move the surface for air: warm water holds less oxygen. Cool slowly.",
    ),
    Condition.COOLING_FAST: (
        "Was cold water filled in, or is a window open by the tank?",
        "Is the heater plugged in and under water?",
        "Compare with a second thermometer.",
    ),
    Condition.WARMING_FAST: (
        "Was warm water filled in?",
        "Is the heater on above the setpoint? Then unplug it.",
        "Compare with a second thermometer.",
    ),
    Condition.WIDE_SWING: (
        "Look at the last 24 hours: is it the room, the sun, or the heater's own cycle?",
        "A lid, a room heater or a bigger heater makes nights flatter.",
    ),
    Condition.HEATER_STUCK_ON: (
        "Unplug the heater now; its contact may be welded.",
        "Compare with a second thermometer, and move the surface for air.",
        "Do not use that heater again.",
    ),
    Condition.HEATER_NO_HEAT: (
        "Is the plug in, is the fuse or the residual-current device out?",
        "Is the heater under water? Is its lamp on?",
        "If all that is right the element is dead: use another heater, and warm slowly.",
    ),
    Condition.HEATER_OVERLOADED: (
        "The heater runs all the time and the water still falls: lid on, windows shut, room warmer.",
        "A second heater, or a bigger one, is needed in this room.",
    ),
    Condition.HEATER_DUTY_HIGH: (
        "It heats more than this room explains: lid off, a draught, a leak, an ageing element?",
        "Is the water level where it should be?",
    ),
    Condition.HEATER_SHORT_CYCLING: (
        "Does the outlet of the filter blow on the thermostat? Turn it.",
        "A contact that chatters wears out soon: have a spare heater at hand.",
    ),
    Condition.THERMOSTAT_DRIFT: (
        "Compare with a second thermometer, then set the heater again.",
        "If it creeps on, replace it.",
    ),
    Condition.HEATER_EXPOSED: (
        "Unplug the heater now. Do not touch it and do not pour cold water over it: hot glass cracks.",
        "Let it cool, then fill up, then plug it in.",
    ),
    Condition.LIGHT_OVERRUN: (
        "Is the timer set and did it lose power? Switch the light off.",
        "Long light feeds algae.",
    ),
    Condition.LIGHT_AFTER_HOURS: ("Was a light left on? Does the timer know the right time of day?",),
    Condition.LIGHT_MISSED: ("Is the lamp plugged in and the timer running?",),
    Condition.PROBE_SILENT: (
        "Is the probe powered, in reach, and its cable whole?",
        "Until it speaks again nobody watches this water: measure by hand.",
    ),
    Condition.PROBE_FAULTY: (
        "Check the probe's cable and plug for water and loose contacts.",
        "Measure by hand until it is replaced.",
    ),
    Condition.PROBE_FROZEN: (
        "The value does not move while the heater works: restart the probe or its board.",
        "Measure by hand until then.",
    ),
    Condition.PROBE_OUT_OF_WATER: (
        "Is the probe still in the water, or did the level fall?",
        "If the level fell, the heater may be exposed: unplug it first.",
    ),
    Condition.POWER_LOSS: (
        "Look at the fuse box and the residual-current device; ask whether the street is dark.",
        "Air first: battery pumps, or stir by hand. Then warmth: wrap the tanks, keep doors shut.",
        "Feed nothing until the filters run.",
    ),
    Condition.SOURCE_LOST: (
        "Is the broker or the cable of that source up? The page Sources says what was last heard.",
        "Its tanks are not watched until it is back: look at them yourself.",
    ),
    Condition.WATCH_STALLED: (
        "The watch itself fell behind: look at the load of its machine.",
        "Readings may be late: look at the tanks yourself.",
    ),
    Condition.STORE_BEHIND: ("Is the disk full or slow? Alarms go on from memory; history may be missing.",),
}

_CAUTION_FOR = frozenset(
    {
        Condition.TOO_COLD, Condition.TOO_WARM, Condition.HEATER_STUCK_ON, Condition.HEATER_NO_HEAT,
        Condition.HEATER_OVERLOADED, Condition.HEATER_EXPOSED, Condition.HEATER_SHORT_CYCLING,
        Condition.THERMOSTAT_DRIFT, Condition.POWER_LOSS, Condition.PROBE_OUT_OF_WATER,
    }
)  # fmt: skip


def look_first(condition: Condition) -> tuple[str, ...]:
    """Return what to look at first, one sentence each, the most urgent in front."""
    return _LOOK[condition]


def cautions(condition: Condition) -> tuple[str, ...]:
    """Return the cautions to show with the advice for `condition`."""
    return _HEATER if condition in _CAUTION_FOR else ()
