"""The one line on top: what is wrong, where, and how long is left, in words."""

from tankwatch.reading import ServiceMark
from tankwatch.screen import words
from tankwatch.screen.ink import clean
from tankwatch.screen.standing import Level, RoomView, Standing, ordered


def sentence(view: RoomView) -> tuple[str, str]:
    """Return the summary of the room and the role to show it in."""
    if not view.standings:
        return "No tank is configured.", "text"
    worst = ordered(view)[0]
    total = len(view.tanks)
    if not view.live:
        return "Nothing here is watched now: these are the last values known.", "stale"
    if worst.quiet:
        return _all_quiet(view, total), "text"
    others = sum(1 for s in view.standings if not s.quiet) - 1
    parts = [f"{clean(worst.name)}: {what(worst)}"]
    left = time_left(worst)
    if left and left not in parts[0]:
        parts[0] += f", {left}"
    if others:
        parts.append(f"{others} more {'needs' if others == 1 else 'need'} a look")
    quiet = view.counts.get(Level.QUIET, 0)
    if quiet and total > 1:
        parts.append(f"{quiet} of {total} quiet")
    elif not quiet and not others and total > 1:
        parts.append("all tanks concerned")
    return ". ".join(parts) + ".", worst.role


def what(standing: Standing) -> str:
    """Return what is wrong in a few words: the name of the condition, or the state."""
    active = [a for a in standing.alarms if a.state.value in {"unacknowledged", "acknowledged"}]
    if active and standing.level >= Level.LOW:
        worst = max(active, key=lambda a: (a.priority.rank, -a.since_s))
        return worst.condition.value.replace("-", " ")
    if standing.level is Level.RETURNED:
        over = max(standing.alarms, key=lambda a: a.priority.rank)
        return f"{over.condition.value.replace('-', ' ')}, ended, not acknowledged"
    if standing.level is Level.STALE:
        value = standing.temperature
        return "no reading yet" if value is None else f"no fresh reading ({words.age(value.age_s)})"
    if standing.level is Level.SERVICE and standing.tank is not None:
        lowered = standing.tank.service == ServiceMark.WATER_OUT
        return "water level lowered" if lowered else "hands in the tank"
    return clean(standing.message) or standing.word


def time_left(standing: Standing) -> str:
    """Return `38 min to low`, or nothing where no one can tell or no one must know."""
    if standing.level < Level.LOW or standing.minutes_left is None or not standing.live:
        return ""
    if standing.minutes_left <= 0:
        return "no time left"
    return f"{words.span(standing.minutes_left)} to {standing.limit or 'the'} limit"


def _all_quiet(view: RoomView, total: int) -> str:
    start = "The tank is quiet." if total == 1 else f"All {total} tanks are quiet."
    tightest = min(
        (s for s in view.tanks if s.minutes_left is not None),
        key=lambda s: s.minutes_left or 0.0,
        default=None,
    )
    if tightest is None or tightest.minutes_left is None:
        return start
    fault = "died" if tightest.limit == "low" else "stuck on"
    left = words.span(tightest.minutes_left)
    if total == 1:
        return f"{start} If its heater {fault} now: {left} to the {tightest.limit} limit."
    return f"{start} If a heater {fault} now: at least {left}, in {clean(tightest.name)}."
