"""The rows that the measurements give, and how they are printed."""

import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Row:
    """One measurement beside what it is measured against, both taken in this run."""

    what: str
    measured: str
    against: str
    ratio: float | None = None
    goal: str = ""


def compared(what: str, form: str, ours: float, name: str, theirs: float, goal: str = "") -> Row:
    """Return a row for two figures of one kind, printed as `form` says (such as `{:.1f} ms`)."""
    return Row(what, form.format(ours), f"{name} {form.format(theirs)}".strip(), ours / theirs, goal)


def best_s(work: Callable[[], object], times: int = 5) -> float:
    """Return the median of several runs, in seconds, after one that warms up."""
    work()
    took = []
    for _ in range(times):
        begin_s = time.perf_counter()
        work()
        took.append(time.perf_counter() - begin_s)
    return statistics.median(took)


def print_table(rows: Sequence[Row]) -> None:
    """Print rows under each other."""
    heads = ("what", "measured", "against", "ratio", "goal")
    cells = [
        (row.what, row.measured, row.against, "" if row.ratio is None else f"{row.ratio:.2f}", row.goal)
        for row in rows
    ]
    widths = [max(len(line[n]) for line in [heads, *cells]) for n in range(len(heads))]
    for line in [heads, tuple("-" * width for width in widths), *cells]:
        print("  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip())
