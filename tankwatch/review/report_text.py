"""The review as plain text for a terminal."""

from collections.abc import Iterator
from zoneinfo import ZoneInfo

from tankwatch.review import words
from tankwatch.review.alarm_words import SOURCE, alarm_text, load_lines
from tankwatch.review.review import Incident, RoomReview, TankReview
from tankwatch.review.span import local
from tankwatch.safetext import safe_text

_NAME_WIDTH = 22


def text_lines(review: RoomReview, *, alarms: bool = False) -> Iterator[str]:
    """Yield the lines of the report; `alarms` adds the figures of the alarms themselves."""
    zone = ZoneInfo(review.timezone)
    yield safe_text(f"{review.room}: {review.span.title}", 200)
    yield f"{local(review.span.from_s, zone)} to {local(review.span.to_s, zone)}"
    yield safe_text(words.summary(review), 2000)
    for gap in review.blind:
        yield f"nobody watched: {words.gap_text(gap, zone)}"
    for alarm in review.room_alarms:
        yield safe_text(f"room: {alarm_text(alarm, zone)}", 400)
    for tank in review.tanks:
        yield ""
        yield from _tank(tank, zone)
    if review.log:
        yield ""
        yield "Care log"
        for entry in review.log:
            place = entry.tank or "room"
            when = words.clock_time(entry.time_s, zone)
            yield safe_text(f"  {when}  {place}  {entry.kind}: {entry.text} ({entry.who})", 400)
    if alarms:
        yield ""
        yield "Alarms as a system"
        yield from _pairs(load_lines(review.load, zone), 2)
        yield f"  {SOURCE}"
    yield ""
    yield words.CAUTION


def _tank(review: TankReview, zone: ZoneInfo) -> Iterator[str]:
    tank = review.tank
    name = tank.id if tank.label == tank.id else f"{tank.label} ({tank.id})"
    state = "needs attention: " + ", ".join(review.reasons) if review.reasons else "nothing to do"
    yield safe_text(
        f"{name}  setpoint {tank.setpoint_c:g} °C, "
        f"band {tank.band_low_c:g} to {tank.band_high_c:g} °C  {state}",
        400,
    )
    yield from _pairs(words.water_lines(review, zone), 2)
    yield from _pairs(words.heater_lines(review), 2)
    yield from _pairs(words.light_lines(review), 2)
    for gap in review.gaps:
        yield f"  {'gap in the readings':{_NAME_WIDTH}}{words.gap_text(gap, zone)}"
    if review.refused:
        yield f"  {'not counted':{_NAME_WIDTH}}{review.refused} reading(s) that no water gives"
    strain = words.strain_text(review, zone)
    if strain is not None:
        yield f"  {'strain':{_NAME_WIDTH}}{strain}"
    for incident in review.incidents:
        yield from _incident(incident, review, zone)
    for alarm in review.alarms:
        yield safe_text(f"  alarm  {alarm_text(alarm, zone)}", 400)


def _incident(incident: Incident, review: TankReview, zone: ZoneInfo) -> Iterator[str]:
    yield f"  Incident: {words.incident_title(incident)}"
    yield from _pairs(words.incident_lines(incident, review, zone), 4)
    for candidate in incident.candidates:
        if candidate.points < 0:
            continue
        yield f"    {candidate.verdict}: {candidate.cause.value}"
        for sentence in candidate.evidence_for:
            yield f"      for      {sentence}"
        for sentence in candidate.evidence_against:
            yield f"      against  {sentence}"
    contradicted = [candidate.cause.value for candidate in incident.candidates if candidate.points < 0]
    if contradicted:
        yield f"    contradicted: {'; '.join(contradicted)}"


def _pairs(pairs: list[tuple[str, str]], indent: int) -> Iterator[str]:
    for name, value in pairs:
        yield f"{' ' * indent}{name:{_NAME_WIDTH}}{value}"
