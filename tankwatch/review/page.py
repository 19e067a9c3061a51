"""The review as one page: self-contained, without scripts, and without a request to anywhere.

Everything that comes from outside (names, messages, notes) is escaped, and its controls are made visible.
"""

from collections.abc import Iterator
from html import escape
from pathlib import Path
from zoneinfo import ZoneInfo

from tankwatch.review import words
from tankwatch.review.alarm_words import SOURCE, load_lines
from tankwatch.review.page_shell import foot, head, write_pieces
from tankwatch.review.page_tank import facts, safe, tank_section
from tankwatch.review.review import RoomReview, TankReview

_METHOD = (
    "Figures are means of a minute (of the probe's interval, if that is longer). A pause of more than three "
    "intervals, at least a minute, is a gap: it is drawn hatched, and nothing is computed across it. The "
    "onset of an incident is the change-point: where the heater's state, or the water, parted from what the "
    "tank's own heating cycles and fitted heat balance would have it; with hands in the tank, their begin. "
    "Causes are weighed, not proven: the evidence on both sides is printed beside each. Degree-hours are the "
    "time outside the band, weighted by how far outside."
)


def write_page(review: RoomReview, path: Path) -> None:
    """Write the page to `path`; an existing file is replaced only when the new one is whole.

    Raises:
        UsageError: it cannot be written.
    """
    write_pieces(page(review), path)


def page(review: RoomReview) -> Iterator[str]:
    """Yield the page, piece by piece."""
    zone = ZoneInfo(review.timezone)
    yield head(review.room, review.span, review.timezone)
    yield from _state(review, zone)
    yield from _overview(review)
    for number, tank in enumerate(review.tanks, 1):
        yield from tank_section(tank, zone, number)
    yield from _log(review, zone)
    yield f"\n<h2>Alarms as a system</h2>{facts(load_lines(review.load, zone))}"
    yield f'<p class="soft">{escape(SOURCE)}</p>'
    yield foot(_METHOD, review.made_s, review.timezone)


def _state(review: RoomReview, zone: ZoneInfo) -> Iterator[str]:
    bad = review.needs_attention
    word = "Needs attention" if bad else "Nothing needs attention"
    yield f'<div class="state{" bad" if bad else ""}"><p class="flag">{word}</p>'
    reasons = [f"{tank.tank.label}: {', '.join(tank.reasons)}" for tank in review.tanks if tank.reasons]
    if review.reasons or reasons:
        yield "<ul>" + "".join(f"<li>{safe(text)}</li>" for text in (*review.reasons, *reasons)) + "</ul>"
    for gap in review.blind:
        yield f"<p>No watch ran from {escape(words.gap_text(gap, zone))}.</p>"
    for alarm in review.room_alarms:
        when = words.clock_time(alarm.told_s, zone)
        yield f"<p>{escape(when)} {safe(alarm.condition)}: {safe(alarm.message)}</p>"
    yield "</div>"


def _overview(review: RoomReview) -> Iterator[str]:
    yield (
        '<div class="scroll" tabindex="0" role="region" aria-label="All tanks"><table>'
        "<caption>All tanks, worst first</caption><thead><tr>"
        '<th scope="col">Tank</th><th scope="col" class="n">Least °C</th>'
        '<th scope="col" class="n">Greatest °C</th>'
        '<th scope="col" class="n">Outside, min</th><th scope="col" class="n">Degree-hours</th>'
        '<th scope="col" class="n">Duty</th><th scope="col">State</th></tr></thead><tbody>'
    )
    for number, tank in enumerate(review.tanks, 1):
        yield _row(tank, number)
    yield "</tbody></table></div>"


def _row(review: TankReview, number: int) -> str:
    water, heater = review.water, review.heater
    state = '<span class="flag">needs attention</span>' if review.reasons else "fine"
    cells = ["not known"] * 4
    if water is not None:
        cells = [
            f"{water.least_c:.2f}",
            f"{water.greatest_c:.2f}",
            f"{water.minutes_below + water.minutes_above:.0f}",
            f"{water.degree_hours_below + water.degree_hours_above:.2f}",
        ]
    cells.append("not known" if heater is None else f"{heater.duty:.0%}")
    numbers = "".join(f'<td class="n">{cell}</td>' for cell in cells)
    name = f'<a href="#tank-{number}">{safe(review.tank.label)}</a>'
    return f'<tr><th scope="row">{name}</th>{numbers}<td>{state}</td></tr>'


def _log(review: RoomReview, zone: ZoneInfo) -> Iterator[str]:
    if not review.log:
        return
    yield "\n<h2>Care log</h2><ul>"
    for entry in review.log:
        where = entry.tank or "room"
        yield (
            f"<li>{escape(words.clock_time(entry.time_s, zone))}, {safe(where)}: {safe(entry.kind)}: "
            f"{safe(entry.text)} ({safe(entry.who)})</li>"
        )
    yield "</ul>"
