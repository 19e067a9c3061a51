"""The night in lines: who went through what, and what happened when, from a review that is already made."""

from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from tankwatch.review import words as told
from tankwatch.review.alarm_words import alarm_text
from tankwatch.review.review import RoomReview, TankReview
from tankwatch.screen import words
from tankwatch.screen.care.record import MARK_WORDS
from tankwatch.screen.chart.decimate import Floats
from tankwatch.screen.chart.draw import ChartData, ChartMark
from tankwatch.screen.gauge import gauge
from tankwatch.screen.ink import Line, Run, clean, crop, fit, on_ground, wrap


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened in the night."""

    time_s: float
    text: str
    tank: str | None = None


@dataclass(frozen=True, slots=True)
class Course:
    """One channel over the night, as the chart wants it."""

    time_s: Floats
    low: Floats
    high: Floats
    mean: Floats


@dataclass(frozen=True, slots=True)
class Stop:
    """Something to step to: the onset of an incident, or an alarm that none explains."""

    tank: str
    time_s: float


def chart_of(review: TankReview) -> ChartData:
    """Return the chart of one tank over the night."""
    recording, tank = review.recording, review.tank
    inside = recording.inside
    marks = [
        ChartMark(
            i.course.onset_s,
            "▲" if i.needs_attention else "▪",
            "high" if i.needs_attention else "low",
            "onset",
        )
        for i in review.incidents
    ]
    marks.extend(ChartMark(m.time_s, "≈", "service", f"service {m.mark.value}") for m in recording.marks)
    return ChartData(
        recording.from_s,
        recording.to_s,
        tank.setpoint_c,
        tank.band_low_c,
        tank.band_high_c,
        water=_course(recording.time_s[inside], recording.water_c[inside]),
        heater=_course(recording.time_s[inside], recording.on[inside]),
        light=_course(recording.time_s[inside], recording.light[inside]),
        marks=tuple(
            sorted(
                (m for m in marks if recording.from_s <= m.time_s <= recording.to_s), key=lambda m: m.time_s
            )
        ),
        gap_s=max(3.0 * tank.probe_interval_s, 60.0),
    )


def _course(time_s: Floats, value: Floats) -> Course:
    known = np.isfinite(value)
    return Course(time_s[known], value[known], value[known], value[known])


def stops_of(review: RoomReview) -> list[Stop]:
    """Return what to look at, the tank that went through most first, then in order of time.

    These are the incidents, and the alarms of tanks that had none.
    """
    stops: list[Stop] = []
    for tank in review.tanks:
        onsets = [incident.course.onset_s for incident in tank.incidents]
        times = onsets or sorted(alarm.told_s for alarm in tank.alarms)
        stops.extend(Stop(tank.tank.id, max(time_s, review.span.from_s)) for time_s in times)
    return stops


def events_of(review: RoomReview) -> list[Event]:
    """Return what happened in the night, in order of time."""
    events: list[Event] = []
    for tank in review.tanks:
        name, ident = clean(tank.tank.label), tank.tank.id
        for incident in tank.incidents:
            course, title = incident.course, told.incident_title(incident)
            events.append(Event(course.onset_s, f"{name}: onset of “{title}”", ident))
            events.append(Event(course.turn_s, f"{name}: furthest off, {course.turn_c:.2f} °C", ident))
            if course.recovery_s is not None:
                events.append(Event(course.recovery_s, f"{name}: back as usual", ident))
        for alarm in tank.alarms:
            said = alarm.condition.replace("-", " ")
            events.append(Event(alarm.told_s, f"{name}: alarm {said} told", ident))
            if alarm.acknowledged_s is not None:
                who = clean(alarm.who or "someone")
                events.append(Event(alarm.acknowledged_s, f"{name}: {said} acknowledged by {who}", ident))
        events.extend(Event(m.time_s, f"{name}: {MARK_WORDS[m.mark]}", ident) for m in tank.recording.marks)
        events.extend(
            Event(g.from_s, f"{name}: readings end for {words.span(g.minutes)}", ident) for g in tank.gaps
        )
    events.extend(
        Event(a.told_s, f"room: alarm {a.condition.replace('-', ' ')} told") for a in review.room_alarms
    )
    events.extend(Event(g.from_s, f"nobody watched for {words.span(g.minutes)}") for g in review.blind)
    inside = [e for e in events if review.span.from_s - 60 <= e.time_s <= review.span.to_s]
    return sorted(inside, key=lambda e: e.time_s)


def water_at(review: TankReview, time_s: float | None) -> float | None:
    """Return the water at a time, °C; without a time where it was furthest from the setpoint."""
    recording = review.recording
    inside = recording.inside
    times, water = recording.time_s[inside], recording.water_c[inside]
    known = np.isfinite(water)
    if not known.any():
        return None
    if time_s is None:
        return float(water[known][np.argmax(np.abs(water[known] - review.tank.setpoint_c))])
    index = int(np.argmin(np.abs(times - time_s)))
    value = float(water[index])
    return None if np.isnan(value) else value


def draw_title(review: RoomReview, zone: ZoneInfo, width: int) -> list[Line]:
    """Return the night and its sum in a sentence, in two or three lines."""
    span = review.span
    bad = sum(1 for t in review.tanks if t.needs_attention)
    when = f"{span.title}, {words.clock(span.from_s, zone)} to {words.clock(span.to_s, zone, span.from_s)}"
    first = crop((Run(" " + fit(when, width - 2), "bright"),), width)
    if not bad and not review.reasons:
        said, role = f"Nothing needs attention in {words.how_many(len(review.tanks), 'tank')}.", "text"
    else:
        tanks = f"{words.how_many(bad, 'tank needs', 'tanks need')} a look" if bad else "No tank needs a look"
        parts = [*review.reasons, f"{tanks}, of {len(review.tanks)}"]
        said, role = ". ".join(p[0].upper() + p[1:] for p in parts) + ".", "bright"
    return [first, *((Run(" " + row, role),) for row in wrap(said, width - 2, 2))]


def draw_ranking(review: RoomReview, chosen: int, at_s: float | None, width: int) -> list[Line]:
    """Return the tanks, worst first: where the water was at `at_s`, and why someone must look."""
    lines: list[Line] = []
    name_width = 14 if width < 70 else 20
    gauge_width = 13 if width < 70 else 17
    room_for_words = max(8, width - 1 - 2 - name_width - 1 - gauge_width - 8 - 1)
    for i, one in enumerate(review.tanks):
        tank, water = one.tank, water_at(one, at_s)
        outside = water is not None and not tank.band_low_c <= water <= tank.band_high_c
        sign, role = ("▲", "high") if one.needs_attention else (" ", "text")
        dot, number = ("high", "bright") if outside else ("bright", "text")
        said = ", ".join(one.reasons) or _quiet_words(one)
        row: Line = (
            Run(f"{sign} ", role),
            Run(fit(clean(tank.label), name_width) + " ", "bright" if one.needs_attention else "text"),
            *gauge(water, tank.setpoint_c, tank.band_low_c, tank.band_high_c, gauge_width, dot),
            Run(fit("–" if water is None else f"{water:.1f}", 6, "right") + "  ", number),
            Run(fit(clean(said), room_for_words), "text" if one.needs_attention else "label"),
        )
        row = crop(row, width - 1)
        lines.append(
            (Run("›", "bright", "chosen"), *on_ground(row, "chosen")) if i == chosen else (Run(" "), *row)
        )
    return lines


def _quiet_words(review: TankReview) -> str:
    water = review.water
    said = "nothing read" if water is None else f"{water.least_c:.1f} to {water.greatest_c:.1f} °C"
    return f"{said}, {words.how_many(len(review.alarms), 'alarm')}" if review.alarms else said


def draw_moment(
    events: Sequence[Event], at_s: float | None, zone: ZoneInfo, playing: bool, width: int
) -> Line:
    """Return the moment under the cursor and the last that happened before it."""
    if at_s is None:
        text = "Space plays the night; ← → read it; i goes from incident to incident."
        return crop((Run(" " + fit(text, width - 2), "label"),), width)
    last = next((e for e in reversed(events) if e.time_s <= at_s + 30.0), None)
    sign = "▶" if playing else "‖"
    runs = [Run(f" {sign} {words.clock(at_s, zone, at_s)} ", "bright")]
    if last is not None:
        fresh = at_s - last.time_s < 1800.0
        text = f" {words.clock(last.time_s, zone, last.time_s)} {last.text}"
        runs.append(Run(fit(text, max(1, width - 10)), "bright" if fresh else "label"))
    return crop(tuple(runs), width)


def draw_account(review: TankReview, zone: ZoneInfo, width: int) -> list[Line]:
    """Return what a tank went through: incidents with their causes, figures, gaps, alarms."""
    lines: list[Line] = []
    if review.reasons:
        lines.extend(_rows(f"{clean(review.tank.label)}: {', '.join(review.reasons)}.", width, "bright"))
    for incident in review.incidents:
        lines.append(_heading(f"Incident: {told.incident_title(incident)}", width))
        lines.extend(_pairs(told.incident_lines(incident, review, zone), width))
        for candidate in incident.candidates:
            if candidate.points < 0:
                continue
            lines.extend(_rows(f"{candidate.verdict}: {candidate.cause.value}", width, "bright"))
            for sentence in candidate.evidence_for:
                lines.extend(_rows(f"for: {sentence}", width, "text", 3))
            for sentence in candidate.evidence_against:
                lines.extend(_rows(f"against: {sentence}", width, "label", 3))
        ruled_out = [c.cause.value for c in incident.candidates if c.points < 0]
        if ruled_out:
            lines.extend(_rows(f"contradicted: {'; '.join(ruled_out)}", width, "label"))
        lines.append(())
    lines.append(_heading("The night in figures", width))
    figures = [*told.water_lines(review, zone), *told.heater_lines(review), *told.light_lines(review)]
    figures.extend(("gap in readings", told.gap_text(gap, zone)) for gap in review.gaps)
    if review.refused:
        figures.append(("not counted", f"{words.how_many(review.refused, 'reading')} that no water gives"))
    lines.extend(_pairs(figures, width))
    if review.alarms:
        lines.extend([(), _heading("Alarms", width)])
        for alarm in review.alarms:
            lines.extend(_rows(clean(alarm_text(alarm, zone)), width, "text"))
    lines.append(())
    lines.extend(_rows(told.CAUTION, width, "label"))
    return lines


def _heading(title: str, width: int) -> Line:
    title = fit(title, width - 2).rstrip()
    return (Run(f" {title} ", "label"), Run("─" * max(0, width - len(title) - 3), "faint"))


def _pairs(pairs: Sequence[tuple[str, str]], width: int) -> list[Line]:
    lines: list[Line] = []
    for name, value in pairs:
        rows = wrap(clean(value), max(12, width - 24)) or [""]
        lines.extend(
            (Run(fit(f" {name}" if i == 0 else "", 22) + " ", "label"), Run(row, "text"))
            for i, row in enumerate(rows)
        )
    return lines


def _rows(text: str, width: int, role: str, indent: int = 1) -> list[Line]:
    return [(Run(" " * indent + row, role),) for row in wrap(text, max(12, width - indent - 1))]
