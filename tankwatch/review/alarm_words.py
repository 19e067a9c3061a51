"""The figures of the alarms as name and value, beside what they are held against."""

from zoneinfo import ZoneInfo

from tankwatch.review.alarm_load import FLOOD_PER_10_MIN, SHARES, STEADY_PER_10_MIN, AlarmLoad
from tankwatch.review.alarm_record import AlarmRecord, Delivery
from tankwatch.review.words import clock_time

SOURCE = (
    "Held against EEMUA 191 and ANSI/ISA-18.2, which were made for control rooms with someone at the desk; "
    "whoever sleeps beside the tanks wants far fewer."
)


def load_lines(load: AlarmLoad, zone: ZoneInfo) -> list[tuple[str, str]]:
    """Return name and value of each figure."""
    peak = f"{load.peak_10_min} (flood above {FLOOD_PER_10_MIN})"
    if load.peak_s is not None:
        peak += f", from {clock_time(load.peak_s, zone)}"
    shares = ", ".join(f"{name} {share:.0%}" for name, share in load.shares.items()) or "no alarm was told"
    aims = ", ".join(f"{name} {share:.0%}" for name, share in SHARES.items())
    wait = load.median_minutes_to_acknowledge
    return [
        ("told", f"{load.told} in {load.hours:.1f} h"),
        (
            "average",
            f"{load.per_hour:.2f} an hour, {load.per_10_min:.3f} in 10 min (aim {STEADY_PER_10_MIN:g})",
        ),
        ("most in 10 min", peak),
        ("floods", str(load.floods)),
        ("priorities", f"{shares}; aim {aims}, critical within high"),
        ("chattering", ", ".join(f"{name} ({n} times)" for name, n in load.chattering) or "none"),
        ("standing at the end", f"{load.standing}, {load.unacknowledged} not acknowledged"),
        ("standing over 24 h", str(load.stale)),
        ("time to acknowledge", "none was acknowledged" if wait is None else f"{wait:.0f} min (median)"),
    ]


def alarm_text(alarm: AlarmRecord, zone: ZoneInfo) -> str:
    """Return one alarm's life in a line."""
    seen = "not acknowledged"
    if alarm.acknowledged_s is not None:
        seen = f"acknowledged {clock_time(alarm.acknowledged_s, zone)} by {alarm.who or 'someone'}"
    over = "still holds" if alarm.returned_s is None else f"over {clock_time(alarm.returned_s, zone)}"
    times = "" if alarm.times == 1 else f", told {alarm.times} times"
    message = alarm.message.rstrip(".")
    return (
        f"{clock_time(alarm.told_s, zone)}  {alarm.condition} ({alarm.priority}){times}: {message}; "
        f"{seen}; {over}{_deliveries_text(alarm.deliveries, zone)}"
    )


def _deliveries_text(deliveries: tuple[Delivery, ...] | None, zone: ZoneInfo) -> str:
    """Return who was reached first when, and who was not, each person and way once."""
    if deliveries is None:
        return ""
    if not deliveries:
        return "; no message went out"
    parts = []
    for person, way in dict.fromkeys((d.person, d.way) for d in deliveries):
        own = [d for d in deliveries if (d.person, d.way) == (person, way)]
        taken = [d.settled_s for d in own if d.state == "sent" and d.settled_s is not None]
        number = "" if len(own) == 1 else f", {len(own)} messages"
        if taken:
            parts.append(f"delivered to {person} by {way} {clock_time(min(taken), zone)}{number}")
        else:
            attempts = sum(d.attempts for d in own)
            parts.append(
                f"NOT delivered to {person} by {way}, {own[-1].state} after {attempts} attempts{number}"
            )
    return "; " + "; ".join(parts)
