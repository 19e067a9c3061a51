"""The routine of a tank: what is due, what is overdue, what the data suggest, and a sheet for the visit."""

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from tankwatch.care import cautions
from tankwatch.care.plan import sensible_input
from tankwatch.care.water_tests import ResultLevel
from tankwatch.physics.guard import finite, positive

_DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class RoutineTask:
    """One task that comes back."""

    key: str
    name: str
    every_days: float
    how: str = ""


DEFAULT_ROUTINE = (
    RoutineTask("change", "change water", 14.0, "conditioned first, within the tank's limit of change"),
    RoutineTask(
        "gravel", "clean the gravel", 14.0, "with the outgoing water, a third of the floor each time"
    ),
    RoutineTask("glass", "clean the glass", 14.0, "a tool kept for this tank"),
    RoutineTask(
        "filter", "rinse the filter", 42.0, "in tank water, never under the tap; never all media at once"
    ),
    RoutineTask(
        "heater", "check the heater", 28.0, "against a second thermometer; look for cracks and scale"
    ),
    RoutineTask("light", "check the light timer", 28.0, "hours of light and the clock of the timer"),
    RoutineTask("test", "test the water", 14.0, "ammonia, nitrite, nitrate, pH, before the change"),
    RoutineTask("look", "watch the fish", 14.0, "breathing, hiding, chasing, feeding; count gill beats"),
)
"""Common practice, no published source: set your own days per tank."""


def routine_every(days: Mapping[str, float]) -> tuple[RoutineTask, ...]:
    """Return the default routine with other days between two times of the tasks whose keys are in `days`."""
    return tuple(replace(t, every_days=days.get(t.key, t.every_days)) for t in DEFAULT_ROUTINE)


class DueState(StrEnum):
    """How a task stands."""

    OVERDUE = "overdue"
    """More than a quarter of its interval late."""
    DUE = "due"
    LATER = "later"
    NEVER_DONE = "never done"


@dataclass(frozen=True, slots=True)
class DueTask:
    """One task and when it is due."""

    task: RoutineTask
    state: DueState
    due_in_days: float
    """Negative when late; 0 for one never done."""
    last_done_s: float | None


@sensible_input()
def due_tasks(
    now_s: float, last_done_s: Mapping[str, float], routine: Sequence[RoutineTask] = DEFAULT_ROUTINE
) -> tuple[DueTask, ...]:
    """Return every task of the routine, most pressing first.

    `last_done_s` gives by task key when it was last done, seconds since 1970 UTC. A time in the future (a
    clock that stepped) counts as now.

    Raises:
        UsageError: a time is not a number, an interval not above 0, or a key unknown to the routine.
    """
    finite("time in s", now_s)
    unknown = sorted(set(last_done_s) - {task.key for task in routine})
    if unknown:
        known = ", ".join(task.key for task in routine)
        raise ValueError(f"unknown task {unknown[0]!r}; expected one of: {known}")
    due = []
    for task in routine:
        positive(f"days between two times of {task.name!r}", task.every_days)
        last = last_done_s.get(task.key)
        if last is None:
            due.append(DueTask(task, DueState.NEVER_DONE, 0.0, None))
            continue
        since_days = max(0.0, (now_s - finite("time last done in s", last)) / _DAY_S)
        left = task.every_days - since_days
        if left > 0.0:
            state = DueState.LATER
        else:
            state = DueState.OVERDUE if -left > task.every_days / 4.0 else DueState.DUE
        due.append(DueTask(task, state, left, last))
    order = [DueState.OVERDUE, DueState.NEVER_DONE, DueState.DUE, DueState.LATER]
    return tuple(sorted(due, key=lambda d: (order.index(d.state), d.due_in_days)))


@dataclass(frozen=True, slots=True)
class TankFacts:
    """What the records say of the last fortnight; None where nothing is known."""

    light_hours_mean: float | None = None
    light_hours_max: float | None = None
    algae_seen: bool = False
    worst_ammonia_or_nitrite: ResultLevel | None = None
    nitrate_days_to_limit: float | None = None
    duty_24h: float | None = None
    expected_duty: float | None = None


@sensible_input()
def hints(facts: TankFacts) -> tuple[str, ...]:
    """Return what the data suggest for this tank's routine, as sentences.

    Hours of light against algae have no published figure: the tank's own limit is used.

    Raises:
        UsageError: a value is not a number.
    """
    found: list[str] = []
    if facts.light_hours_mean is not None and facts.light_hours_max is not None:
        mean, most = (
            finite("light hours", facts.light_hours_mean),
            finite("light hours", facts.light_hours_max),
        )
        if mean > most:
            found.append(f"light was on {mean:.1f} h a day, more than {most:g}: set the timer back")
        elif facts.algae_seen:
            found.append(
                f"algae at {mean:.1f} h of light a day: try an hour less for a fortnight, test nitrate"
            )
    elif facts.algae_seen:
        found.append("algae, and light hours unknown: note them, and test nitrate")
    if facts.worst_ammonia_or_nitrite in (ResultLevel.ACT_TODAY, ResultLevel.ACT_NOW):
        found.append("ammonia or nitrite was high: feed less until two tests in a row are fine")
    if facts.nitrate_days_to_limit is not None and finite("days", facts.nitrate_days_to_limit) < 14.0:
        found.append(
            f"nitrate reaches its limit in {facts.nitrate_days_to_limit:.0f} days: change water sooner"
        )
    if facts.duty_24h is not None and facts.expected_duty is not None:
        extra = finite("duty", facts.duty_24h) - finite("expected duty", facts.expected_duty)
        if extra > 0.15:
            found.append("the heater works more than this room explains: check lid, draught and heater")
    return tuple(found)


def visit_sheet(
    tank: str, due: Sequence[DueTask], suggestions: Sequence[str] = (), width: int = 40
) -> tuple[str, ...]:
    """Return a sheet to print or tick off, no line longer than `width` (at least 20), plain text.

    Raises:
        UsageError: the width is below 20.
    """
    with sensible_input():
        if width < 20:
            raise ValueError(f"a sheet needs a width of at least 20 characters, got {width}")
    lines = [*_wrapped(tank, width, ""), ""]
    for item in due:
        if item.state is DueState.LATER:
            continue
        lines += _wrapped(f"[ ] {item.task.name}: {_late(item)}", width, "    ")
        if item.task.how:
            lines += textwrap.wrap(item.task.how, width, initial_indent="    ", subsequent_indent="    ")
    later = [item for item in due if item.state is DueState.LATER]
    if later:
        lines += ["", *_wrapped("later: " + ", ".join(_later(item) for item in later), width, "  ")]
    if suggestions:
        lines.append("")
        for suggestion in suggestions:
            lines += _wrapped(f"- {suggestion}", width, "  ")
    lines.append("")
    for caution in (cautions.MAINS, cautions.HEATER_OUT_OF_WATER):
        lines += _wrapped(f"! {caution}", width, "  ")
    return tuple(lines)


def _wrapped(text: str, width: int, indent: str) -> list[str]:
    return textwrap.wrap(text, width, subsequent_indent=indent) or [""]


def _late(item: DueTask) -> str:
    if item.state is DueState.NEVER_DONE:
        return "never done"
    late_days = -item.due_in_days
    return f"{item.state}, {late_days:.0f} days late" if late_days >= 1.0 else str(item.state)


def _later(item: DueTask) -> str:
    return f"{item.task.name} in {item.due_in_days:.0f} days"
