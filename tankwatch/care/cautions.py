"""The cautions that plans carry; said once here, so that they read the same everywhere."""

MAINS = (
    "Mains and water: unplug heater, light and pump before hands go in or the water level goes down. "
    "Use residual-current protection and drip loops. Electrical work is for a licensed person under local "
    "rules."
)
HEATER_OUT_OF_WATER = (
    "The heater stays unplugged until the water is back above its mark; let it cool before the level falls "
    "(common practice, no published source: 15 minutes)."
)
DOSE = (
    "Follow the conditioner's label; your water supplier's own figures decide. Keep chemicals away from "
    "children, eyes and lungs, and never mix them."
)
SULFITES = "Sulfites take oxygen out of the water: give no more than planned, and aerate well."
TESTS = "Test kits err: repeat a surprising result, and check the kit's date, before acting on it."
FISH = "Fish in distress: ask a veterinarian or an experienced shop at once."
WATCH_ONLY = "tankwatch only watches: it switches nothing and is not a safety device."
ESTIMATE = "An estimate from handbook values: a fitted loss, once the watch has learned the tank, is better."
FILTER = (
    "Rinse filter media in water taken from the tank, never under the tap: chlorine kills the bacteria. "
    "Never replace all media at once."
)
