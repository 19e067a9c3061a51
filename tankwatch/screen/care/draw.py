"""The care of a tank in lines: the routine with what is due, and what a form makes of its words."""

from collections.abc import Sequence

from tankwatch.care.schedule import DueState, DueTask
from tankwatch.screen import words
from tankwatch.screen.care.form import Worked
from tankwatch.screen.ink import Line, Run, clean, crop, fit, on_ground, wrap

_SHAPES = {
    DueState.OVERDUE: ("▪", "low"),
    DueState.DUE: ("○", "bright"),
    DueState.NEVER_DONE: ("○", "bright"),
    DueState.LATER: (" ", "label"),
}


def draw_routine(due: Sequence[DueTask], chosen: int, hints: Sequence[str], width: int) -> list[Line]:
    """Return the routine, most pressing first, with how to do the chosen task, and what the data suggest."""
    lines: list[Line] = [_heading("What is due", width)]
    for i, item in enumerate(due):
        shape, role = _SHAPES[item.state]
        row: Line = (
            Run(f"{shape} ", role),
            Run(fit(item.task.name, 22), "text" if item.state is DueState.LATER else "bright"),
            Run(fit(due_words(item), max(12, width - 25)), role),
        )
        if i == chosen:
            lines.append(crop((Run("›", "bright", "chosen"), *on_ground(row, "chosen")), width))
            lines.extend((Run("   " + part, "label"),) for part in wrap(item.task.how, width - 4))
        else:
            lines.append(crop((Run(" "), *row), width))
    for hint in hints:
        lines.extend((Run(" ! " if i == 0 else "   ", "label"), Run(part, "text"))
                     for i, part in enumerate(wrap(hint, width - 4)))  # fmt: skip
    return lines


def due_words(item: DueTask) -> str:
    """Return how a task stands: `overdue, 6 days late`, `due today`, `in 9 days`."""
    if item.state is DueState.NEVER_DONE:
        return "no record of it yet"
    if item.state is DueState.LATER:
        days = int(item.due_in_days)
        return f"in {words.how_many(days, 'day')}" if days else "within a day"
    late = int(-item.due_in_days)
    return f"{item.state}, {words.how_many(late, 'day')} late" if late else "due today"


def draw_worked(worked: Worked, width: int) -> list[Line]:
    """Return what a form makes of its words: what is wrong, or warnings, advice, caution and working."""
    lines: list[Line] = []
    if worked.trouble:
        lines.extend(
            (Run(" ? " if i == 0 else "   ", "stale"), Run(row, "bright"))
            for i, row in enumerate(wrap(clean(worked.trouble), width - 4))
        )
        return lines
    for section in worked.sections:
        if not section.sentences:
            continue
        lines.append(_heading(section.heading, width))
        for sentence in section.sentences:
            rows = wrap(clean(sentence), width - 4)
            lines.extend(
                (Run(" – " if i == 0 else "   ", "faint"), Run(row, section.role))
                for i, row in enumerate(rows)
            )
    return lines


def _heading(title: str, width: int) -> Line:
    title = clean(title)
    return (Run(title + " ", "label"), Run("─" * max(0, width - len(title) - 2), "faint"))
