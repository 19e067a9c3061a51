"""What changes between two configurations over the same readings.

Alarms are matched by tank, condition and overlap in time. Alarms of both sides that overlap, even through
a third, are one matter: a long alarm that falls apart into three is no news. What overlaps nothing of the
other side is new or gone; else the first begins are compared, to the second as they are printed.
"""

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum

from tankwatch.backtest.episode import Episode, Key


class Change(StrEnum):
    """What the other configuration does to an alarm."""

    NEW = "new"
    GONE = "gone"
    EARLIER = "earlier"
    LATER = "later"
    SAME = "same"


@dataclass(frozen=True, slots=True)
class Matter:
    """Alarms of one tank and condition that overlap, with each configuration; one side may be empty."""

    before: tuple[Episode, ...]
    after: tuple[Episode, ...]
    """With the other configuration."""

    @property
    def first(self) -> Episode:
        """The alarm that begins first."""
        return min((*self.before, *self.after), key=lambda episode: episode.begin_s)

    @property
    def minutes_later(self) -> float | None:
        """How much later it is told with the other configuration, min; None where one side has none."""
        if not self.before or not self.after:
            return None
        return (_second(self.after[0].begin_s) - _second(self.before[0].begin_s)) / 60.0

    @property
    def change(self) -> Change:
        """What happens to it."""
        later = self.minutes_later
        if later is None:
            return Change.NEW if self.after else Change.GONE
        if later == 0.0:
            return Change.SAME
        return Change.LATER if later > 0.0 else Change.EARLIER


def compared(before: Iterable[Episode], after: Iterable[Episode]) -> list[Matter]:
    """Match the alarms of two configurations; return the matters by begin, tank and condition."""
    sides: dict[Key, list[tuple[Episode, bool]]] = defaultdict(list)
    for episode in before:
        sides[episode.key].append((episode, False))
    for episode in after:
        sides[episode.key].append((episode, True))
    matters = [matter for both in sides.values() for matter in _matters(both)]
    return sorted(matters, key=lambda m: (m.first.begin_s, m.first.tank or "", m.first.alarm))


def counted(matters: Iterable[Matter]) -> dict[str, Counter[Change]]:
    """Count the changes by condition."""
    counts: dict[str, Counter[Change]] = defaultdict(Counter)
    for matter in matters:
        counts[matter.first.alarm][matter.change] += 1
    return counts


def _matters(both: list[tuple[Episode, bool]]) -> Iterator[Matter]:
    group: list[tuple[Episode, bool]] = []
    reaches_s = -math.inf
    for episode, is_after in sorted(both, key=lambda item: (item[0].begin_s, item[1])):
        if group and episode.begin_s > reaches_s:
            yield _matter(group)
            group, reaches_s = [], -math.inf
        group.append((episode, is_after))
        reaches_s = max(reaches_s, math.inf if episode.end_s is None else episode.end_s)
    if group:
        yield _matter(group)


def _matter(group: list[tuple[Episode, bool]]) -> Matter:
    return Matter(
        tuple(episode for episode, is_after in group if not is_after),
        tuple(episode for episode, is_after in group if is_after),
    )


def _second(time_s: float) -> int:
    return math.ceil(time_s - 1e-6)
