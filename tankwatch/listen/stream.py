"""One stream: the values under one name, and what can be said of them without knowing what they are."""

import itertools
import statistics
from collections import Counter, deque
from dataclasses import dataclass, field
from typing import NamedTuple

from tankwatch.decode.channel import FAULT_CODES_C
from tankwatch.listen.unpack import Found

_KEPT = 200
_JUMP_TIMES = 12.0
_BATCH_S = 0.1  # what comes quicker than that was sent together


class Place(NamedTuple):
    """Where a stream comes from: enough to write its channel."""

    source: str
    """Id of the source."""
    kind: str
    """Kind of the source: mqtt, serial or onewire."""
    where: str
    """Topic, port, or name of the 1-wire device."""
    decode: str
    name: str | None

    @property
    def label(self) -> str:
        """The place for people."""
        how = self.name or (self.decode.removeprefix("pointer:") if ":" in self.decode else "")
        return f"{self.where} {how}".strip()


@dataclass
class Stream:
    """What came in at one place."""

    place: Place
    values: deque[float | bool | str] = field(default_factory=lambda: deque(maxlen=_KEPT))
    """Newest last."""
    arrivals_s: deque[float] = field(default_factory=lambda: deque(maxlen=_KEPT))
    """Fresh arrivals only: a retained message says nothing of the interval."""
    unit: str | None = None
    raw: bytes = b""
    """The newest payload, whole."""
    count: int = 0
    retained: int = 0
    behind_s: float | None = None
    """How far the newest own stamp lay behind its arrival, s; None without own stamps."""
    refused: Counter[str] = field(default_factory=Counter)

    def add(self, found: Found, payload: bytes, arrived_s: float, retained: bool) -> None:
        """Take in one value."""
        self.count += 1
        self.raw = payload
        self.unit = found.unit or self.unit
        self.values.append(found.value)
        if retained:
            self.retained += 1
            return
        self.arrivals_s.append(arrived_s)
        if found.stamp_s is not None:
            self.behind_s = arrived_s - found.stamp_s

    @property
    def numbers(self) -> list[float]:
        """The values that are numbers and no fault code of a 1-wire probe."""
        return [v for v in self.values if type(v) is float and v not in FAULT_CODES_C]

    @property
    def interval_s(self) -> float | None:
        """Usual time between two arrivals, s, or between two batches; None before the third."""
        gaps_s = [b - a for a, b in itertools.pairwise(self.arrivals_s)]
        if len(gaps_s) < 2:
            return None
        usual_s = statistics.median(gaps_s)
        between_batches_s = [gap_s for gap_s in gaps_s if gap_s >= _BATCH_S]
        if usual_s >= _BATCH_S or not between_batches_s:
            return usual_s
        return statistics.median(between_batches_s)

    def faults(self) -> list[str]:
        """Return what is wrong with the stream, in words."""
        found = []
        codes = Counter(v for v in self.values if type(v) is float and v in FAULT_CODES_C)
        for code, count in sorted(codes.items()):
            found.append(f"{count} times {code:g}, which is no temperature but a word of a 1-wire probe")
        numbers = self.numbers
        steps = sorted(abs(b - a) for a, b in itertools.pairwise(numbers))
        if len(steps) >= 8:
            usual = max(statistics.median(steps), 0.02 * max(abs(numbers[-1]), 1.0))
            jumps = sum(step > _JUMP_TIMES * usual for step in steps)
            if jumps:
                found.append(f"{jumps} jumps, the largest {steps[-1]:g}")
        interval_s = self.interval_s
        if interval_s:
            times = list(self.arrivals_s)
            gaps = sum(b - a > 3 * interval_s + 1 for a, b in itertools.pairwise(times))
            if gaps:
                found.append(f"{gaps} gaps of more than three intervals")
        if self.count and self.retained == self.count:
            found.append("only kept by the broker: nobody publishes it now")
        if self.behind_s is not None and self.behind_s < -60.0:
            found.append(f"its clock is {-self.behind_s:.0f} s ahead")
        elif self.behind_s is not None and self.behind_s > 3600.0:
            found.append(f"its newest time is {self.behind_s:.0f} s old: a slow clock, or old readings")
        found += [f"{count} times {reason}" for reason, count in self.refused.items()]
        return found
