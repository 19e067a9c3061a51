"""The weeks in words: sentences for text and page, the lines of the text, and the JSON object."""

from collections.abc import Iterator
from typing import Any
from zoneinfo import ZoneInfo

from tankwatch.printing import utc
from tankwatch.review.report_json import plain
from tankwatch.review.span import local
from tankwatch.review.weeks import Drift, RoomWeeks, TankWeeks, WeekFacts
from tankwatch.review.words import CAUTION
from tankwatch.safetext import safe_text

UNKNOWN = "-"
HEADS = ("week from", "duty", "room °C", "water °C", "light h", "swing °C", "heater W", "loss W/K")


def cells(week: WeekFacts) -> tuple[str, ...]:
    """Return the figures of one week, in the order of `HEADS`; `-` where nothing is known."""
    heater = week.heater_w
    return (
        week.first_day.isoformat(),
        UNKNOWN if week.duty is None else f"{week.duty:.0%}",
        _figure(week.air_c, 1),
        _figure(week.water_c, 2),
        _figure(week.light_h, 1),
        _figure(week.swing_k, 2),
        UNKNOWN if heater is None else f"{heater.value:.0f} ± {heater.uncertainty:.0f}",
        _figure(week.loss_w_per_k, 2),
    )


def signature_lines(review: TankWeeks) -> list[tuple[str, str]]:
    """Return name and value of what the heat-loss signature tells."""
    found = review.signature
    if found is None:
        return [("heat-loss signature", "not known: too few whole days, or the room was too even")]
    line = found.line
    since = f"{line.points} days since {review.signature_from.isoformat()}"
    lines = [
        (
            "heat-loss signature",
            f"duty {line.at(line.x_low):.0%} in a room of {line.x_low:.1f} °C, "
            f"{line.at(line.x_high):.0%} at {line.x_high:.1f} °C ({since})",
        ),
        ("a degree colder", f"{-line.slope * 100:.1f} ± {line.slope_sigma * 100:.1f} points of duty more"),
    ]
    if found.loss_w_per_k is not None and found.loss_sigma is not None:
        lines.append(("heat loss by it", f"{found.loss_w_per_k:.1f} ± {found.loss_sigma:.1f} W/K"))
    lines.append(
        ("full duty", f"in a room of about {found.full_duty_room_c:.0f} °C, were the line to go on so far")
    )
    return lines


def drift_lines(review: TankWeeks) -> list[tuple[str, str]]:
    """Return name and value of what drifts, or holds."""
    heater = _drift_text(
        review.heater_drift,
        "W",
        0,
        less="an ageing element, lime on it, or a low mains voltage",
        more="a higher mains voltage, or less water than the configuration says",
    )
    loss = _drift_text(
        review.loss_drift,
        "W/K",
        1,
        less="a lid put on, or a more sheltered place",
        more="a lid left open or worn, or a draught",
    )
    return [("heater's power", heater), ("heat loss", loss)]


def weeks_lines(review: RoomWeeks) -> Iterator[str]:
    """Yield the lines of the report."""
    zone = ZoneInfo(review.timezone)
    yield safe_text(f"{review.room}: {review.span.title}", 200)
    yield f"{local(review.span.from_s, zone)} to {local(review.span.to_s, zone)}"
    for tank in review.tanks:
        yield ""
        state = "needs attention: " + ", ".join(tank.reasons) if tank.reasons else "nothing to do"
        yield safe_text(f"{tank.tank.label}  {state}", 400)
        for name, value in signature_lines(tank) + drift_lines(tank):
            yield f"  {name:22}{value}"
        rows = [HEADS, *(cells(week) for week in tank.weeks)]
        widths = [max(len(row[i]) for row in rows) for i in range(len(HEADS))]
        for row in rows:
            yield "  " + "  ".join(text.rjust(width) for text, width in zip(row, widths, strict=True))
    yield ""
    yield CAUTION


def weeks_json(review: RoomWeeks) -> dict[str, Any]:
    """Return the review fit for `json.dumps`; days are local, unknown figures null."""
    return {
        "room": review.room,
        "timezone": review.timezone,
        "title": review.span.title,
        "from": utc(review.span.from_s),
        "to": utc(review.span.to_s),
        "made": utc(review.made_s),
        "needs_attention": review.needs_attention,
        "tanks": [_tank(tank) for tank in review.tanks],
    }


def _tank(review: TankWeeks) -> dict[str, Any]:
    found = review.signature
    signature = found and {
        "from_day": review.signature_from.isoformat(),
        "days": found.line.points,
        "duty_at_0_c": plain(found.line.intercept),
        "duty_per_k": plain(found.line.slope),
        "duty_per_k_sigma": plain(found.line.slope_sigma),
        "duty_scatter": plain(found.line.scatter),
        "room_low_c": plain(found.line.x_low),
        "room_high_c": plain(found.line.x_high),
        "loss_w_per_k": plain(found.loss_w_per_k),
        "loss_sigma_w_per_k": plain(found.loss_sigma),
        "full_duty_room_c": plain(found.full_duty_room_c),
        "no_duty_room_c": plain(found.no_duty_room_c),
    }
    return {
        "tank": review.tank.id,
        "name": review.tank.label,
        "reasons": list(review.reasons),
        "signature": signature,
        "heater_drift_w": plain(review.heater_drift),
        "loss_drift_w_per_k": plain(review.loss_drift),
        "weeks": [plain(week) for week in review.weeks],
        "days": [plain(day) for day in review.days],
    }


def _drift_text(drift: Drift | None, unit: str, digits: int, *, less: str, more: str) -> str:
    if drift is None:
        return "its drift is not known: that takes four weeks of readings"
    start, end = f"{drift.start:.{digits}f} {unit}", f"{drift.end:.{digits}f} {unit}"
    text = f"{start} at first, {end} at last ({round(drift.share * 100):+d} %)"
    if not drift.is_notable:
        return f"{text}: no more than chance or a trifle"
    return f"{text}: look for {less if drift.share < 0 else more}"


def _figure(value: float | None, digits: int) -> str:
    return UNKNOWN if value is None else f"{value:.{digits}f}"
