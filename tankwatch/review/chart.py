"""The course of one tank as an inline SVG drawing: water in its band, incidents, gaps, heater and light.

Colours come from the page's style sheet, so the drawing follows light, dark and print. Whatever colour says
is also said by a shape or a word.
"""

from datetime import UTC, datetime, timedelta
from html import escape
from zoneinfo import ZoneInfo

import numpy as np

from tankwatch.review.recording import Floats
from tankwatch.review.review import TankReview
from tankwatch.safetext import safe_text

_LEFT, _RIGHT, _TOP = 40, 8, 18
_PLOT, _STRIP, _BOTTOM = 170, 12, 20
_TICK_HOURS = (1, 2, 3, 6, 12, 24, 48, 168, 336, 720)


def chart(review: TankReview, zone: ZoneInfo, *, width: int, key: str) -> str:
    """Return the drawing, `width` units wide; `key` makes its ids unique on the page."""
    recording = review.recording
    inside = recording.inside
    time_s, water = recording.time_s[inside], recording.water_c[inside]
    strips = [
        (name, share)
        for name, share in (("heater", recording.on[inside]), ("light", recording.light[inside]))
        if np.isfinite(share).any()
    ]
    height = _TOP + _PLOT + len(strips) * (_STRIP + 6) + _BOTTOM
    scale = _Scale(review, water, width)
    parts = [
        f'<svg class="chart" viewBox="0 0 {width} {height}" role="img" '
        f'aria-labelledby="{key}-t {key}-d" xmlns="http://www.w3.org/2000/svg">',
        f'<title id="{key}-t">{escape(safe_text(review.tank.label))}: water temperature over time</title>',
        f'<desc id="{key}-d">{escape(_in_words(review))}</desc>',
        f'<pattern id="{key}-h" width="6" height="6" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><line class="hatch" x1="0" y1="0" x2="0" y2="6"/></pattern>',
    ]
    parts += _band(review, scale)
    parts += _incidents(review, scale)
    parts += _gaps(review, scale, key)
    parts += _axes(scale, zone, height)
    parts += [f'<path class="water" d="{d}"/>' for d in _lines(time_s, water, scale, width)]
    for number, (name, share) in enumerate(strips):
        top = _TOP + _PLOT + 6 + number * (_STRIP + 6)
        parts += _strip(name, time_s, share, recording.step_s, scale, top, key)
    parts.append("</svg>")
    return "".join(parts)


class _Scale:
    """From time and temperature to the drawing's units."""

    def __init__(self, review: TankReview, water: Floats, width: int) -> None:
        recording = review.recording
        self.from_s, self.to_s, self.width = recording.from_s, recording.to_s, width
        known = water[np.isfinite(water)]
        ends = [review.tank.band_low_c, review.tank.band_high_c]
        if len(known):
            ends += [float(known.min()), float(known.max())]
        self.low_c, self.high_c = min(ends) - 0.3, max(ends) + 0.3

    def x(self, time_s: float) -> float:
        share = (min(max(time_s, self.from_s), self.to_s) - self.from_s) / (self.to_s - self.from_s)
        return round(_LEFT + share * (self.width - _LEFT - _RIGHT), 1)

    def y(self, value_c: float) -> float:
        return round(_TOP + (self.high_c - value_c) / (self.high_c - self.low_c) * _PLOT, 1)


def _band(review: TankReview, scale: _Scale) -> list[str]:
    tank = review.tank
    top, bottom = scale.y(tank.band_high_c), scale.y(tank.band_low_c)
    right = scale.width - _RIGHT
    set_y = scale.y(tank.setpoint_c)
    return [
        f'<rect class="band" x="{_LEFT}" y="{top}" width="{right - _LEFT}" height="{bottom - top:.1f}"/>',
        *(f'<line class="limit" x1="{_LEFT}" y1="{y}" x2="{right}" y2="{y}"/>' for y in (top, bottom)),
        f'<line class="set" x1="{_LEFT}" y1="{set_y}" x2="{right}" y2="{set_y}"/>',
    ]


def _incidents(review: TankReview, scale: _Scale) -> list[str]:
    parts = []
    for number, incident in enumerate(review.incidents, 1):
        course = incident.course
        x1, x2 = scale.x(course.onset_s), scale.x(course.last_s)
        parts.append(
            f'<rect class="incident" x="{x1}" y="{_TOP}" width="{max(x2 - x1, 2):.1f}" height="{_PLOT}"/>'
            f'<line class="onset" x1="{x1}" y1="{_TOP}" x2="{x1}" y2="{_TOP + _PLOT}"/>'
            f'<text x="{x1}" y="{_TOP - 5}">incident {number}</text>'
        )
    return parts


def _gaps(review: TankReview, scale: _Scale, key: str) -> list[str]:
    parts = []
    for gap in review.gaps:
        x1, x2 = scale.x(gap.from_s), scale.x(gap.to_s)
        parts.append(
            f'<rect class="gap" fill="url(#{key}-h)" x="{x1}" y="{_TOP}" width="{max(x2 - x1, 1):.1f}" '
            f'height="{_PLOT}"/>'
        )
        if x2 - x1 > 60:
            parts.append(
                f'<text class="middle" x="{(x1 + x2) / 2:.1f}" y="{_TOP + _PLOT - 6}">no readings</text>'
            )
    return parts


def _axes(scale: _Scale, zone: ZoneInfo, height: int) -> list[str]:
    parts = []
    span_c = scale.high_c - scale.low_c
    step_c = next(step for step in (0.5, 1.0, 2.0, 5.0, 10.0, 20.0) if span_c / step <= 6 or step == 20.0)
    value = np.ceil(scale.low_c / step_c) * step_c
    while value <= scale.high_c:
        y = scale.y(float(value))
        parts.append(f'<line class="grid" x1="{_LEFT - 3}" y1="{y}" x2="{_LEFT}" y2="{y}"/>')
        parts.append(f'<text class="end" x="{_LEFT - 5}" y="{y + 4}">{value:g}</text>')
        value += step_c
    parts.append(f'<text x="0" y="{_TOP - 5}">°C</text>')
    hours = (scale.to_s - scale.from_s) / 3600.0
    most = max(2, (scale.width - _LEFT) // 52)
    step_h = next((step for step in _TICK_HOURS if hours / step <= most), _TICK_HOURS[-1])
    for tick_s, label in _ticks(scale.from_s, scale.to_s, step_h, zone):
        x = scale.x(tick_s)
        parts.append(f'<line class="grid" x1="{x}" y1="{_TOP}" x2="{x}" y2="{_TOP + _PLOT + 3}"/>')
        if x < scale.width - 20:
            parts.append(f'<text class="middle" x="{x}" y="{height - 5}">{label}</text>')
    return parts


def _ticks(from_s: float, to_s: float, step_h: int, zone: ZoneInfo) -> list[tuple[float, str]]:
    begin = datetime.fromtimestamp(from_s, UTC).astimezone(zone)
    midnight = begin.replace(hour=0, minute=0, second=0, microsecond=0)
    ticks = []
    moment = midnight
    while moment.timestamp() <= to_s:
        if moment.timestamp() >= from_s:
            ticks.append((moment.timestamp(), moment.strftime("%H:%M" if step_h < 24 else "%d %b")))
        # Wall clock arithmetic: ticks stay on full hours when clocks change.
        moment += timedelta(hours=step_h)
    return ticks


def _lines(time_s: Floats, water: Floats, scale: _Scale, width: int) -> list[str]:
    """Return paths, one for each stretch without a gap; many points become least and greatest a column."""
    known = np.isfinite(water)
    breaks = np.flatnonzero(~known[1:] | ~known[:-1]) + 1
    paths = []
    for part in np.split(np.arange(len(water)), breaks):
        part = part[known[part]]
        if len(part) == 0:
            continue
        points = [(scale.x(float(time_s[i])), scale.y(float(water[i]))) for i in part]
        if len(points) > 2 * width:
            columns: dict[int, list[tuple[float, float]]] = {}
            for x, y in points:
                columns.setdefault(int(x), []).append((x, y))
            points = [p for c in columns.values() for p in (min(c, key=_second), max(c, key=_second))]
        path = "M" + "L".join(f"{x:g} {y:g}" for x, y in points)
        paths.append(path if len(points) > 1 else f"{path}h1")
    return paths


def _second(point: tuple[float, float]) -> float:
    return point[1]


def _strip(
    name: str, time_s: Floats, share: Floats, step_s: float, scale: _Scale, top: int, key: str
) -> list[str]:
    """Return bars where heater or lamp was on, hatched where that is not known."""
    right = scale.width - _RIGHT
    parts = [
        f'<rect class="strip" x="{_LEFT}" y="{top}" width="{right - _LEFT}" height="{_STRIP}"/>',
        f'<text class="end" x="{_LEFT - 4}" y="{top + _STRIP - 2}">{name}</text>',
    ]
    for which, look in (
        (np.nan_to_num(share) >= 0.5, f'class="{name}"'),
        (np.isnan(share), f'class="gap" fill="url(#{key}-h)"'),
    ):
        edges = np.flatnonzero(np.diff(np.concatenate([[0], which.astype(int), [0]])))
        for first, last in zip(edges[::2], edges[1::2], strict=True):
            x1 = scale.x(float(time_s[first]) - step_s / 2)
            x2 = scale.x(float(time_s[last - 1]) + step_s / 2)
            parts.append(
                f'<rect {look} x="{x1}" y="{top}" width="{max(x2 - x1, 0.8):.1f}" height="{_STRIP}"/>'
            )
    return parts


def _in_words(review: TankReview) -> str:
    water = review.water
    if water is None:
        return "No reading in this stretch."
    tank = review.tank
    text = (
        f"The water lay between {water.least_c:.2f} and {water.greatest_c:.2f} °C; its band is "
        f"{tank.band_low_c:g} to {tank.band_high_c:g} °C, the setpoint {tank.setpoint_c:g} °C."
    )
    if review.incidents:
        text += f" {len(review.incidents)} incident(s) are shaded."
    if review.gaps:
        text += f" {len(review.gaps)} gap(s) in the readings are hatched."
    return text + " The same figures follow as a table."
