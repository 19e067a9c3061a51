"""Duty of whole days over the room's temperature as an inline SVG drawing, with the line through them."""

from html import escape

from tankwatch.review.weeks import TankWeeks
from tankwatch.safetext import safe_text

_LEFT, _RIGHT, _TOP, _BOTTOM, _PLOT = 44, 12, 20, 34, 220
_FRESH_DAYS = 7


def scatter(review: TankWeeks, *, width: int, key: str) -> str:
    """Return the drawing, `width` units wide, or nothing without a point; `key` makes its ids unique.

    The newest seven days are open squares, all others dots.
    """
    points = [
        (day.air_c, day.duty, number >= len(review.days) - _FRESH_DAYS)
        for number, day in enumerate(review.days)
        if day.air_c is not None and day.duty is not None
    ]
    if not points:
        return ""
    low_c, high_c = min(p[0] for p in points) - 0.5, max(p[0] for p in points) + 0.5
    top = 1.0 if max(p[1] for p in points) > 0.5 else 0.5

    def x(room_c: float) -> float:
        return round(_LEFT + (room_c - low_c) / (high_c - low_c) * (width - _LEFT - _RIGHT), 1)

    def y(duty: float) -> float:
        return round(_TOP + (1.0 - min(max(duty, 0.0), top) / top) * _PLOT, 1)

    parts = [
        f'<svg class="chart" viewBox="0 0 {width} {_TOP + _PLOT + _BOTTOM}" role="img" '
        f'aria-labelledby="{key}-t {key}-d" xmlns="http://www.w3.org/2000/svg">',
        f'<title id="{key}-t">{escape(safe_text(review.tank.label))}: duty over room temperature</title>',
        f'<desc id="{key}-d">{escape(_in_words(review, points))}</desc>',
    ]
    for fifth in range(6):
        share = top * fifth / 5
        parts.append(
            f'<line class="grid" x1="{_LEFT}" y1="{y(share)}" x2="{width - _RIGHT}" y2="{y(share)}"/>'
        )
        parts.append(f'<text class="end" x="{_LEFT - 5}" y="{y(share) + 4}">{share:.0%}</text>')
    step = next(s for s in (1, 2, 5, 10, 20, 50, 1000) if (high_c - low_c) / s <= width / 60)
    tick = -(-low_c // step) * step
    while tick <= high_c:
        parts.append(f'<line class="grid" x1="{x(tick)}" y1="{_TOP}" x2="{x(tick)}" y2="{_TOP + _PLOT}"/>')
        parts.append(f'<text class="middle" x="{x(tick)}" y="{_TOP + _PLOT + 14}">{tick:g}</text>')
        tick += step
    parts.append(f'<text x="0" y="{_TOP - 11}">duty</text>')
    parts.append(f'<text class="middle" x="{width / 2:g}" y="{_TOP + _PLOT + 29}">room, °C</text>')
    for room_c, duty, fresh in points:
        cx, cy = x(room_c), y(duty)
        parts.append(
            f'<rect class="fresh" x="{cx - 3:.1f}" y="{cy - 3:.1f}" width="6" height="6"/>'
            if fresh
            else f'<circle class="day" cx="{cx}" cy="{cy}" r="2.5"/>'
        )
    if review.signature is not None:
        line = review.signature.line
        ends = [(x(c), y(line.at(c))) for c in (line.x_low, line.x_high)]
        (x1, y1), (x2, y2) = ends
        parts.append(f'<line class="fit" x1="{x1}" y1="{y1}" x2="{x2}" y2="{y2}"/>')
    return "".join(parts) + "</svg>"


def _in_words(review: TankWeeks, points: list[tuple[float, float, bool]]) -> str:
    rooms, duties = [p[0] for p in points], [p[1] for p in points]
    text = (
        f"{len(points)} days; the room lay between {min(rooms):.1f} and {max(rooms):.1f} °C, the duty "
        f"between {min(duties):.0%} and {max(duties):.0%}."
    )
    if review.signature is None:
        return text + " No line could be fitted."
    line = review.signature.line
    return (
        f"{text} The line falls from {line.at(line.x_low):.0%} at {line.x_low:.1f} °C to "
        f"{line.at(line.x_high):.0%} at {line.x_high:.1f} °C."
    )
