"""The page of one tank in lines: its head, and what is known of it in columns below the chart."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from zoneinfo import ZoneInfo

from rich.cells import cell_len

from tankwatch.alarms.model import AlarmState
from tankwatch.reading import Channel, ServiceMark
from tankwatch.screen import words
from tankwatch.screen.channel_words import value_words
from tankwatch.screen.chart.strips import bar
from tankwatch.screen.feed import EntryLike, MarkLike
from tankwatch.screen.gauge import gauge
from tankwatch.screen.ink import Line, Run, beside, clean, crop, fit, fit_name, length, wrap
from tankwatch.screen.standing import Level, Standing, level_of
from tankwatch.screen.summary import time_left, what
from tankwatch.screen.wall import tag
from tankwatch.snapshot import Estimate, LiveValue, ModelSnapshot, TankSnapshot

_COLUMN_MIN = 37
_DRAWS_W = 3.0
"""More than a heater's lamp draws."""


@dataclass(frozen=True, slots=True)
class Past:
    """What the store tells of one tank, beside its series."""

    light_days: Sequence[tuple[datetime, float | None]] = field(default_factory=tuple)
    """Hours of light for each of the last days, today last."""
    marks: Sequence[MarkLike] = field(default_factory=tuple)
    entries: Sequence[EntryLike] = field(default_factory=tuple)


def draw_head(s: Standing, width: int, now_s: float) -> list[Line]:
    """Return two lines or more: who, how warm, how it stands; where in the band, what is left; the work."""
    tank = s.tank
    if tank is None:
        return [(), ()]
    value = s.temperature
    number = words.degrees(value.value, 2) if value is not None else "no value"
    doubt = s.doubtful
    state = (Run(" "), *tag(s, len(s.word) + 5)) if not s.quiet else (Run(" quiet ", "label"),)
    name_width = max(8, width - length(state) - 15)
    first = (
        Run(" "),
        Run(fit_name(clean(s.name), name_width), "bright"),
        Run(fit(("? " if doubt else "") + number, 13, "right") + " ", "stale" if doubt else "bright"),
        *state,
    )
    parts = []
    if value is not None:
        off = value.value - tank.setpoint_c
        parts.append(f"{words.difference(off, 2)} to setpoint {tank.setpoint_c:g}")
    if tank.rate_c_per_h is not None and abs(tank.rate_c_per_h) >= 0.1:
        move = "rising" if tank.rate_c_per_h > 0 else "falling"
        parts.append(f"{move} {abs(tank.rate_c_per_h):.1f} °C/h")
    if doubt and value is not None:
        parts.append(f"read {words.age(value.age_s)}")
    gauge_width = 17 if width < 100 else 31
    low, high = f"{tank.low_c:g} ", f" {tank.high_c:g}"
    role = "stale" if doubt else s.role if s.level >= Level.LOW else "bright"
    second = [
        Run(" " + low, "label"),
        *gauge(
            None if value is None else value.value,
            tank.setpoint_c,
            tank.low_c,
            tank.high_c,
            gauge_width,
            role,
        ),
        Run(high + "  ", "label"),
    ]
    left = time_left(s)
    if left:
        second.append(Run(left + "  ", s.role))
    while parts and length(tuple(second)) + cell_len(" · ".join(parts)) > width:
        parts.pop()
    second.append(Run(" · ".join(parts), "text"))
    lines = [crop(first, width), crop(tuple(second), width)]
    if not s.quiet and s.level is not Level.SERVICE:
        note = clean(s.message) or what(s)
        role = "bright" if s.level > Level.STALE else "text"
        lines.extend((Run(" " + row, role),) for row in wrap(note, width - 2, 2))
    if tank.service:
        lines.extend(crop(line, width) for line in _service_lines(s, now_s, width))
    return lines


def _service_lines(s: Standing, now_s: float, width: int) -> list[Line]:
    tank = s.tank
    if tank is None:
        return []
    lowered = tank.service == ServiceMark.WATER_OUT
    since = "" if tank.service_since_s is None else f", for {words.span((now_s - tank.service_since_s) / 60)}"
    what_now = (
        f"WATER OUT{since}: the level is lowered, the heater must be unplugged"
        if lowered
        else f"HANDS IN THE TANK{since}: heater and lights unplugged?"
    )
    found, role = heater_in_service(s)
    rows = wrap(what_now if what_now.endswith("?") else f"{what_now}.", width - 5)
    lines: list[Line] = [
        (Run(fit(f" {'≈' if i == 0 else ' '} {row}", width - 1), "service-block"),)
        for i, row in enumerate(rows)
    ]
    return [*lines, *((Run("   " + row, role),) for row in wrap(found, width - 5))]


def heater_in_service(s: Standing) -> tuple[str, str]:
    """Return whether the heater really is off while hands are in the tank, and the role to say it in."""
    tank = s.tank
    heater = None if tank is None else tank.values.get(Channel.HEATER)
    power = None if tank is None else tank.values.get(Channel.POWER)
    fresh = s.live and heater is not None and not heater.stale and not heater.retained
    if s.live and power is not None and not power.stale and not power.retained and power.value > _DRAWS_W:
        return f"◆ THE HEATER DRAWS {power.value:.0f} W: unplug it now.", "critical"
    if not fresh or heater is None:
        return "? Nobody knows whether the heater is off: look at its plug.", "stale"
    if heater.value >= 0.5:
        return "◆ THE HEATER IS ON: unplug it now.", "critical"
    return "The heater is off now; off is not unplugged: look at its plug.", "text"


def draw_details(s: Standing, past: Past, width: int, zone: ZoneInfo, now_s: float) -> list[Line]:
    """Return everything known of a tank, in as many columns as `width` allows."""
    if s.tank is None:
        return []
    sections = [
        _alarms(s, zone, now_s),
        _heat(s.tank),
        _findings(s.tank, s.live),
        _light(s.tank, past, zone),
        _values(s.tank),
        _work(s.tank, past, zone, now_s),
    ]
    columns = max(1, min(4, width // _COLUMN_MIN))
    column_width = (width - 1 - 2 * (columns - 1)) // columns
    blocks = [_section(title, rows, column_width) for title, rows in sections if rows]
    piles: list[list[Line]] = [[] for _ in range(columns)]
    for block in blocks:  # in reading order, each onto the shortest pile
        pile = min(piles, key=len)
        pile.extend(block)
    lines = beside(piles, [column_width] * columns, 2)
    return [crop((Run(" "), *line), width) for line in lines]


Row = tuple[str, str, str]
"""Label, value, role; without a label the value takes the whole width and is wrapped."""


def _section(title: str, rows: Sequence[Row], width: int) -> list[Line]:
    out: list[Line] = [(Run(title + " ", "label"), Run("─" * max(0, width - len(title) - 1), "faint"))]
    for label, value, role in rows:
        if label:
            out.append((Run(fit(label, 14), "label"), Run(fit(value, width - 14), role)))
        else:
            out.extend((Run(row, role),) for row in wrap(value, width))
    out.append(())
    return out


def _alarms(s: Standing, zone: ZoneInfo, now_s: float) -> tuple[str, list[Row]]:
    rows: list[Row] = []
    for alarm in sorted(s.alarms, key=lambda a: -level_of(a)):
        if alarm.state is AlarmState.NORMAL:
            continue
        name = alarm.condition.value.replace("-", " ")
        rows.append(
            ("", f"{name}, {alarm.priority.value}, since {words.clock(alarm.since_s, zone, now_s)}", "bright")
        )
        who = f" by {clean(alarm.who)}" if alarm.who else ""
        # The worst one's message stands in the head of the page.
        said = "" if alarm.message == s.message else f". {clean(alarm.message)}"
        rows.append(("", f"{alarm.state.value}{who}{said}", "text"))
    return "Alarms", rows


def _heat(tank: TankSnapshot) -> tuple[str, list[Row]]:
    rows: list[Row] = []
    heater = tank.values.get(Channel.HEATER)
    if heater is not None:
        rows.append(("heater", _on_off(heater), "stale" if heater.stale else "text"))
    if tank.duty_24h is not None or tank.duty_1h is not None:
        duty = " · ".join(words.percent(d) for d in (tank.duty_1h, tank.duty_6h, tank.duty_24h))
        rows.append(("duty 1/6/24 h", duty, "text"))
    if tank.model.expected_duty is not None:
        rows.append(("expected now", _share(tank.model.expected_duty), "text"))
    if tank.swing_24h_c is not None:
        rows.append(("swing 24 h", f"{tank.swing_24h_c:.1f} °C", "text"))
    return "Heat", rows


def _share(e: Estimate) -> str:
    return f"{words.percent(e.value)}, give or take {max(1, round(100 * e.uncertainty))}"


def _findings(tank: TankSnapshot, live: bool) -> tuple[str, list[Row]]:
    title = "What the water shows" if live else "What the water showed"
    return title, [("", sentence, "text") for sentence in findings(tank.model, tank, live=live)]


def findings(model: ModelSnapshot, tank: TankSnapshot, *, live: bool = True) -> list[str]:
    """Return what the thermal model found, in plain words, the most urgent first.

    Without a live picture nothing is said about now.
    """
    out = []
    if model.minutes_to_low is not None and live:
        left = words.span(model.minutes_to_low.value)
        out.append(f"If the heater died now: {left} to {tank.low_c:g} °C.")
    if model.minutes_to_high is not None and live:
        left = words.span(model.minutes_to_high.value)
        out.append(f"If it stuck on now: {left} to {tank.high_c:g} °C.")
    if model.stuck_on_c is not None:
        out.append(f"Stuck on, it would reach {words.degrees(model.stuck_on_c.value)}.")
    if model.coldest_room_c is not None:
        out.append(
            f"Holds {tank.setpoint_c:g} °C in a room down to {words.degrees(model.coldest_room_c.value)}."
        )
    if model.loss_w_per_k is not None:
        out.append(f"Loses {model.loss_w_per_k.value:.1f} W for each degree above the room.")
    if model.heater_w is not None:
        out.append(f"The heater gives {model.heater_w.value:.0f} W to the water.")
    if model.room_c is not None and live:
        out.append(f"The room is at {words.degrees(model.room_c.value)}.")
    if not out:
        seen = words.how_many(model.cycles_seen, "heating cycle")
        out.append(f"Still learning this tank: {seen} so far. The limits are watched meanwhile.")
    return out


def _light(tank: TankSnapshot, past: Past, zone: ZoneInfo) -> tuple[str, list[Row]]:
    rows: list[Row] = []
    light = tank.values.get(Channel.LIGHT)
    if light is not None:
        rows.append(("light", _on_off(light), "stale" if light.stale else "text"))
    if tank.light_hours_today is not None:
        most = f" of {tank.light_hours_max:g} h" if tank.light_hours_max is not None else ""
        over = tank.light_hours_max is not None and tank.light_hours_today > tank.light_hours_max
        rows.append(("today", words.hours(tank.light_hours_today) + most, "medium" if over else "text"))
    known = [h for _, h in past.light_days if h is not None]
    if known:
        top = max([*known, tank.light_hours_max or 0.0, 1.0])
        rows.append((f"{len(past.light_days)} days", bar((h for _, h in past.light_days), top), "text"))
        rows.append(("", f"{min(known):.0f} to {max(known):.0f} h a day; full block = {top:.0f} h", "label"))
    return "Light", rows


def _values(tank: TankSnapshot) -> tuple[str, list[Row]]:
    rows: list[Row] = []
    for name, value in tank.values.items():
        if name == Channel.SERVICE:
            continue
        shown = value_words(name, value.value)
        doubt = value.stale or value.retained
        shown = f"? {shown}" if doubt else shown
        rows.append((clean(name), f"{fit(shown, 11)} {_age(value)}", "stale" if doubt else "text"))
    return "Values and their age", rows


def _age(value: LiveValue) -> str:
    return "age unknown" if value.retained else words.age(value.age_s)


def _on_off(value: LiveValue) -> str:
    word = "on" if value.value >= 0.5 else "off"
    return f"{word}, {_age(value)}" if value.stale or value.retained else word


def _work(tank: TankSnapshot, past: Past, zone: ZoneInfo, now_s: float) -> tuple[str, list[Row]]:
    rows: list[Row] = [
        ("", f"{words.clock(m.time_s, zone, now_s)}  service {m.mark.value}, {clean(m.who)}", "text")
        for m in list(past.marks)[-4:]
    ]
    rows.extend(
        (
            "",
            f"{words.clock(e.time_s, zone, now_s)}  {clean(e.kind)}: {clean(e.text)}, {clean(e.who)}",
            "text",
        )
        for e in list(past.entries)[-5:]
    )
    return "Service and care", rows
