"""Alarms in lines: a row of the list, and all that is known of one with what to look at first."""

from collections.abc import Sequence
from zoneinfo import ZoneInfo

from tankwatch.alarms.model import Alarm, AlarmState, Transition
from tankwatch.screen import advice, words
from tankwatch.screen.ink import Line, Run, clean, crop, fit, wrap
from tankwatch.screen.palette import block
from tankwatch.screen.standing import HOLLOW, ROLE, SHAPE, Level, level_of


def draw_row(
    alarm: Alarm,
    names: dict[str, str],
    width: int,
    zone: ZoneInfo,
    now_s: float,
    step: Transition | None = None,
) -> Line:
    """Return one alarm as a line: priority, tank, condition, state, since when."""
    level = level_of(alarm) if alarm.state is not AlarmState.NORMAL else Level.QUIET
    shape, role = SHAPE[level], ROLE[level]
    if alarm.state is AlarmState.ACKNOWLEDGED:
        shape = HOLLOW.get(shape, shape)
    priority = fit(f" {shape} {alarm.priority.value}", 12)
    filled = alarm.state is AlarmState.UNACKNOWLEDGED and step is None
    when = fit(words.clock(step.time_s if step is not None else alarm.since_s, zone, now_s), 16)
    state = fit(alarm.state.value, 15)
    runs = [Run(priority, block(role) if filled else role), Run(" ")]
    name_width = 16 if width < 90 else 22
    runs.append(Run(fit(place_of(alarm, names), name_width) + " ", "bright"))
    condition = alarm.condition.value.replace("-", " ")
    if width >= 76:
        rest = max(10, width - 13 - name_width - 1 - 15 - 16 - 1)
        runs.append(Run(fit(condition, rest) + " ", "text"))
        runs.append(Run(state, "text"))
        runs.append(Run(when, "label"))
    else:
        runs.append(Run(fit(condition, max(8, width - 13 - name_width - 2)), "text"))
    return crop(tuple(runs), width)


def place_of(alarm: Alarm, names: dict[str, str]) -> str:
    """Return the name of the tank, the source, or the room that an alarm belongs to."""
    if alarm.tank is not None:
        return clean(names.get(alarm.tank, alarm.tank))
    name = clean(words.of_what(alarm.subject))
    return name[:1].lower() + name[1:]


def draw_detail(alarm: Alarm, names: dict[str, str], width: int, zone: ZoneInfo, now_s: float) -> list[Line]:
    """Return what is known of an alarm and what to look at first."""
    lines: list[Line] = [
        (Run(fit(f" {place_of(alarm, names)}: {alarm.condition.value.replace('-', ' ')}", width), "bright"),)
    ]
    message = clean(alarm.message)
    if alarm.state is AlarmState.RETURNED:
        message = f"Ended. It was: {message}"
    lines.extend((Run(" " + row, "text"),) for row in wrap(message, width - 1))
    facts = [f"{alarm.priority.value} priority", alarm.state.value]
    if alarm.who:
        facts[-1] += f" by {clean(alarm.who)}"
    facts.append(f"since {words.clock(alarm.since_s, zone, now_s)}")
    if alarm.margin_min is not None and alarm.state is not AlarmState.RETURNED:
        facts.append(f"{words.span(alarm.margin_min)} left")
    if alarm.state is AlarmState.SHELVED and alarm.until_s is not None:
        facts.append(f"back at {words.clock(alarm.until_s, zone, now_s)}, sooner if it gets worse")
    if alarm.state is AlarmState.SHELVED:
        facts.append("its cause stands" if alarm.holds else "its cause is gone")
    lines.extend((Run(" " + row, "label"),) for row in wrap(", ".join(facts), width - 1))
    lines.extend(_list("Look first at", advice.look_first(alarm.condition), width, "bright"))
    lines.extend(_list("Caution", advice.cautions(alarm.condition), width, "text"))
    if alarm.evidence:
        evidence = [_fact(str(name), value) for name, value in alarm.evidence.items()]
        lines.extend(_list("Why it was raised", evidence, width, "label"))
    return lines


def _list(title: str, points: Sequence[str], width: int, role: str) -> list[Line]:
    if not points:
        return []
    lines: list[Line] = [(), (Run(f" {title}", "label"),)]
    for point in points:
        rows = wrap(point, width - 4)
        lines.extend((Run(" – " if i == 0 else "   ", "faint"), Run(row, role)) for i, row in enumerate(rows))
    return lines


_UNIT_OF = {
    "c": "°C",
    "k": "°C",
    "w": "W",
    "h": "h",
    "min": "min",
    "s": "s",
    "l": "L",
}


def _fact(name: str, value: object) -> str:
    """Return one piece of evidence in words: `usual_top_c`, 26.25 becomes `usual top: 26.25 °C`."""
    words_of_name = clean(name).split("_")
    unit = ""
    if len(words_of_name) > 1 and isinstance(value, int | float) and words_of_name[-1] in _UNIT_OF:
        unit = " " + _UNIT_OF[words_of_name.pop()]
        if words_of_name[-2:] == ["k", "per"]:
            words_of_name, unit = words_of_name[:-2], " °C per " + unit.strip()
    return f"{' '.join(words_of_name)}: {_shown(value)}{unit}"


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.4g}"
    if isinstance(value, list | tuple):
        return ", ".join(_shown(v) for v in value)
    return clean(str(value)[:200])
