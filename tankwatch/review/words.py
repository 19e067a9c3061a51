"""Figures and sentences of a review, shared by its text and its page."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from tankwatch.review.measures import Change
from tankwatch.review.recording import Gap
from tankwatch.review.review import Incident, RoomReview, TankReview

CAUTION = (
    "tankwatch only watches and is not a safety device. Unplug heaters and lights before hands or the water "
    "level go down; electrical work is for a licensed person under local rules. Fish in distress: a "
    "veterinarian or an experienced shop."
)


def clock_time(time_s: float, zone: ZoneInfo) -> str:
    """Return a local time to the minute, with the day where a reader could doubt it."""
    return datetime.fromtimestamp(time_s, UTC).astimezone(zone).strftime("%d %b %H:%M")


def duration(minutes: float) -> str:
    """Return a length of time in minutes, or hours and minutes."""
    whole = round(minutes)
    if whole < 120:
        return f"{whole} min"
    return f"{whole // 60} h {whole % 60:02} min"


def gap_text(gap: Gap, zone: ZoneInfo) -> str:
    """Return one gap in words."""
    return f"{clock_time(gap.from_s, zone)} to {clock_time(gap.to_s, zone)} ({duration(gap.minutes)})"


def change_text(change: Change | None, zone: ZoneInfo) -> str:
    """Return the fastest change in words."""
    if change is None:
        return "not known"
    return f"{change.change_k:+.2f} °C (until {clock_time(change.end_s, zone)})"


def water_lines(review: TankReview, zone: ZoneInfo) -> list[tuple[str, str]]:
    """Return name and value of each figure of the water."""
    water = review.water
    if water is None:
        return [("water", "not one usable reading")]
    tank = review.tank
    return [
        ("least", f"{water.least_c:.2f} °C at {clock_time(water.least_s, zone)}"),
        ("greatest", f"{water.greatest_c:.2f} °C at {clock_time(water.greatest_s, zone)}"),
        ("fastest in 10 min", change_text(water.fastest_10min, zone)),
        ("fastest in 1 h", change_text(water.fastest_1h, zone)),
        (f"below {tank.band_low_c:g} °C", _outside(water.minutes_below, water.degree_hours_below)),
        (f"above {tank.band_high_c:g} °C", _outside(water.minutes_above, water.degree_hours_above)),
        ("known for", f"{duration(water.known_minutes)} of {duration(_span_minutes(review))}"),
    ]


def heater_lines(review: TankReview) -> list[tuple[str, str]]:
    """Return name and value of each figure of the heater."""
    heater = review.heater
    if heater is None:
        return [("heater", "its state was not recorded")]
    expected = "the model cannot tell yet"
    if heater.expected_duty is not None:
        expected = f"{heater.expected_duty:.0%} ± {heater.expected_sigma or 0.0:.0%}"
    lines = [
        ("cycles", str(heater.cycles)),
        ("duty", f"{heater.duty:.0%}, expected {expected}"),
    ]
    if heater.energy_kwh is not None:
        how = "measured" if heater.energy_is_measured else "rated power times the time on"
        lines.append(("energy", f"{heater.energy_kwh:.2f} kWh ({how})"))
    if heater.wasted_kwh is not None and heater.wasted_kwh >= 0.005:
        lines.append(("of that wasted", f"{heater.wasted_kwh:.2f} kWh, heating what needed none"))
    return lines


def strain_text(review: TankReview, zone: ZoneInfo) -> str | None:
    """Return what strains a tank that holds its temperature, in words; None where nothing does."""
    strain = review.strain
    if strain is None:
        return None
    unsure = round(strain.onset_uncertainty_s / 60.0)
    since = f"since about {clock_time(strain.onset_s, zone)} (± {unsure} min)"
    return f"{strain.title}: {strain.sentence}, {since}"


def light_lines(review: TankReview) -> list[tuple[str, str]]:
    """Return name and value of each figure of the lamp."""
    light = review.light
    if light is None:
        return [("light", "not recorded")]
    text = f"{light.hours_on:.1f} h on"
    if light.hours_outside_window is not None:
        text += f", {light.hours_outside_window:.1f} h of it outside its window"
    return [("light", text)]


def incident_title(incident: Incident) -> str:
    """Return what an incident was, in a few words."""
    believed = incident.believed
    way = "too warm" if incident.course.warm else "too cold"
    cause = believed.cause.value if believed else "cause unclear"
    return f"water {way} for this tank: {cause}"


def incident_lines(incident: Incident, review: TankReview, zone: ZoneInfo) -> list[tuple[str, str]]:
    """Return name and value of each fact of an incident."""
    course = incident.course
    unsure = max(1, round(course.onset_uncertainty_s / 60.0))
    over = (
        f"{clock_time(course.recovery_s, zone)}, {duration((course.recovery_s - course.onset_s) / 60)} after"
        if course.recovery_s is not None
        else "not within this stretch"
    )
    lines = [
        ("onset", f"{clock_time(course.onset_s, zone)} (± {unsure} min)"),
        ("left its usual range", clock_time(course.left_s, zone)),
        ("turning point", f"{course.turn_c:.2f} °C at {clock_time(course.turn_s, zone)}"),
        ("back as usual", over),
        ("outside the band", duration(course.minutes_outside_band)),
    ]
    told = [a for a in review.alarms if course.onset_s - 60 <= a.told_s <= course.last_s]
    if told:
        first = told[0]
        late = duration((first.told_s - course.onset_s) / 60.0)
        lines.append(
            ("first alarm", f"{first.condition} at {clock_time(first.told_s, zone)}, {late} after onset")
        )
    else:
        lines.append(("first alarm", "none was recorded"))
    if course.gap_inside:
        lines.append(("not seen", "readings are missing within this incident; nothing was assumed for them"))
    if incident.what_if is not None:
        lines.append(("what if", incident.what_if.sentence(course.warm)))
    return lines


def summary(review: RoomReview) -> str:
    """Return the whole stretch in one sentence."""
    bad = [tank for tank in review.tanks if tank.needs_attention]
    if not bad and not review.reasons:
        return f"{len(review.tanks)} tank(s): nothing needs attention."
    parts = [f"{tank.tank.label}: {', '.join(tank.reasons)}" for tank in bad]
    return "Needs attention. " + ". ".join([*review.reasons, *parts]) + "."


def _outside(minutes: float, degree_hours: float) -> str:
    return "never" if minutes <= 0 else f"{duration(minutes)}, {degree_hours:.2f} degree-hours"


def _span_minutes(review: TankReview) -> float:
    return (review.recording.to_s - review.recording.from_s) / 60.0
