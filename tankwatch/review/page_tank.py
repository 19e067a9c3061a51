"""The section of one tank on the page."""

from collections.abc import Iterator
from html import escape
from zoneinfo import ZoneInfo

import numpy as np

from tankwatch.review import words
from tankwatch.review.alarm_words import alarm_text
from tankwatch.review.chart import chart
from tankwatch.review.review import Incident, TankReview
from tankwatch.safetext import safe_text

_LONGEST = 2000
_WIDE, _NARROW = 760, 350
_MOST_ROWS = 48


def safe(text: str) -> str:
    """Return text from outside, fit for HTML."""
    return escape(safe_text(text, _LONGEST))


def facts(pairs: list[tuple[str, str]]) -> str:
    """Return names and values as a list of terms."""
    return "<dl>" + "".join(f"<dt>{safe(name)}</dt><dd>{safe(value)}</dd>" for name, value in pairs) + "</dl>"


def tank_section(review: TankReview, zone: ZoneInfo, number: int) -> Iterator[str]:
    """Yield the section, piece by piece."""
    tank = review.tank
    yield (f'\n<section><div class="lead"><h2 id="tank-{number}">{safe(tank.label)}</h2>')
    heater = "heater not rated" if tank.heater_w is None else f"heater {tank.heater_w:g} W"
    yield (
        f'<p class="soft">{safe(tank.id)}, {tank.volume_l:g} L, setpoint {tank.setpoint_c:g} °C, band '
        f"{tank.band_low_c:g} to {tank.band_high_c:g} °C, {heater}</p>"
    )
    state = "Needs attention: " + ", ".join(review.reasons) if review.reasons else "Nothing to do."
    yield f'<p class="{"bad" if review.reasons else "soft"}"><span class="flag">{safe(state)}</span></p>'
    yield '<figure><div class="wide">' + chart(review, zone, width=_WIDE, key=f"w{number}") + "</div>"
    yield '<div class="narrow">' + chart(review, zone, width=_NARROW, key=f"n{number}") + "</div>"
    yield (
        "<figcaption>Water temperature; the pale area is the band, the dashed line the setpoint, "
        "shading an incident from its onset to its end, hatching a gap in the readings; below, when heater "
        "and light were on.</figcaption></figure></div>"
    )
    yield from _hours(review, zone, number)
    yield "<h3>Water</h3>" + facts(words.water_lines(review, zone))
    yield "<h3>Heater and light</h3>" + facts(words.heater_lines(review) + words.light_lines(review))
    yield from _gaps(review, zone)
    strain = words.strain_text(review, zone)
    if strain is not None:
        yield f"<h3>Under strain</h3><p>The water held, at a price. {safe(strain)}.</p>"
    for count, incident in enumerate(review.incidents, 1):
        yield from _incident(incident, review, zone, count)
    if review.alarms:
        lines = "".join(f"<li>{safe(alarm_text(alarm, zone))}</li>" for alarm in review.alarms)
        yield f"<h3>Alarms as recorded</h3><ul>{lines}</ul>"
    yield "</section>"


def _gaps(review: TankReview, zone: ZoneInfo) -> Iterator[str]:
    if not review.gaps and not review.refused:
        return
    yield "<h3>What is not known</h3><ul>"
    for gap in review.gaps:
        yield f"<li>no readings from {escape(words.gap_text(gap, zone))}</li>"
    if review.refused:
        yield f"<li>{review.refused} reading(s) that no water gives were not counted</li>"
    yield "</ul>"


def _incident(incident: Incident, review: TankReview, zone: ZoneInfo, count: int) -> Iterator[str]:
    yield f"<h3>Incident {count}: {safe(words.incident_title(incident))}</h3>"
    yield facts(words.incident_lines(incident, review, zone))
    yield "<h4>What may explain it</h4><ul>"
    for candidate in incident.candidates:
        if not (candidate.evidence_for or candidate.points >= 0):
            continue
        yield f"<li><strong>{safe(candidate.cause.value)}</strong>: {candidate.verdict}<ul>"
        yield "".join(f"<li>for: {safe(text)}</li>" for text in candidate.evidence_for)
        yield "".join(f"<li>against: {safe(text)}</li>" for text in candidate.evidence_against)
        yield "</ul></li>"
    yield "</ul>"


def _hours(review: TankReview, zone: ZoneInfo, number: int) -> Iterator[str]:
    """Yield the drawing's figures as a table, hour by hour (or more, so that it stays short)."""
    recording = review.recording
    span_s = recording.to_s - recording.from_s
    width_s = 3600.0 * max(1.0, np.ceil(span_s / 3600.0 / _MOST_ROWS))
    yield (
        '<details><summary>The same as a table</summary><div class="scroll" tabindex="0" role="region" '
        f'aria-label="Figures of {safe(review.tank.label)}, tank {number} of this page"><table><thead><tr>'
        '<th scope="col">From</th><th scope="col" class="n">Least °C</th>'
        '<th scope="col" class="n">Mean °C</th><th scope="col" class="n">Greatest °C</th>'
        '<th scope="col" class="n">Heater on</th></tr></thead><tbody>'
    )
    begin_s = recording.from_s
    while begin_s < recording.to_s:
        part = (recording.time_s >= begin_s) & (recording.time_s < begin_s + width_s)
        water, on = recording.water_c[part], recording.on[part]
        cells = ["no readings"] * 3
        if np.isfinite(water).any():
            cells = [f"{f(water):.2f}" for f in (np.nanmin, np.nanmean, np.nanmax)]
        cells.append(f"{np.nanmean(on):.0%}" if np.isfinite(on).any() else "not known")
        row = "".join(f'<td class="n">{cell}</td>' for cell in cells)
        yield f'<tr><th scope="row">{escape(words.clock_time(begin_s, zone))}</th>{row}</tr>'
        begin_s += width_s
    yield "</tbody></table></div></details>"
