"""Counting gill beats: the rate with its exact interval, and how it stands to this tank's own rate.

A count over half a minute is a small sample: 25 beats may mean anything from 32 to 74 a minute. Warm water
makes every fish breathe faster. Both are taken into account before anything is called unusual. Beats are
steadier than a Poisson count, so the interval is on the careful side.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import median

from tankwatch.care.plan import Step, sensible_input
from tankwatch.physics.counting import poisson_interval
from tankwatch.physics.guard import between
from tankwatch.physics.respiration import GILL_BEAT_Q10, rate_at

LEAST_COUNTS = 5
"""Counts before a tank has a rate of its own."""
_MAD_TO_SIGMA = 1.4826022185  # Hampel 1974


@dataclass(frozen=True, slots=True)
class GillCount:
    """Beats of one fish counted over some seconds in water of some temperature."""

    beats: int
    seconds: float
    water_c: float

    def check(self) -> None:
        """Refuse a count that no one can make.

        Raises:
            ValueError: so.
        """
        between("gill beats", self.beats, 0, 10_000)
        between("seconds of counting", self.seconds, 1.0, 3600.0)
        between("water temperature in °C", self.water_c, 0.0, 40.0)

    @property
    def per_min(self) -> float:
        """Beats a minute."""
        return self.beats * 60.0 / self.seconds


@dataclass(frozen=True, slots=True)
class GillRate:
    """A rate with its exact interval, beats a minute."""

    per_min: float
    low_per_min: float
    high_per_min: float
    confidence: float


@dataclass(frozen=True, slots=True)
class GillBaseline:
    """The tank's own rate: counts on quiet days."""

    counts: tuple[GillCount, ...]

    def range_at(self, water_c: float) -> tuple[float, float]:
        """Return the usual rate at this temperature, beats a minute, (low, high).

        The median of the counts corrected by either end of the published Q10 range, widened by two robust
        standard deviations of the counts among themselves.

        Raises:
            ValueError: the temperature is outside 0..45 °C.
        """
        by_q10 = [
            [rate_at(max(c.per_min, 0.1), c.water_c, water_c, q10) for c in self.counts]
            for q10 in GILL_BEAT_Q10
        ]
        medians = [median(rates) for rates in by_q10]
        middle = [(a + b) / 2 for a, b in zip(*by_q10, strict=True)]
        spread = _MAD_TO_SIGMA * median([abs(rate - median(middle)) for rate in middle])
        return max(0.0, min(medians) - 2 * spread), max(medians) + 2 * spread


class GillVerdict(StrEnum):
    """How a count stands to the tank's own rate."""

    AS_USUAL = "as usual"
    FAST = "fast"
    SLOW = "slow"


@dataclass(frozen=True, slots=True)
class GillComparison:
    """A count beside the tank's own rate."""

    verdict: GillVerdict
    rate: GillRate
    usual_per_min: tuple[float, float]
    sentence: str
    working: tuple[Step, ...]


@sensible_input()
def gill_rate(count: GillCount, confidence: float = 0.95) -> GillRate:
    """Return the rate of a count with its exact Poisson interval (Garwood 1936).

    Raises:
        UsageError: a count that no one can make, or a confidence not between 0 and 1.
    """
    count.check()
    low, high = poisson_interval(count.beats, confidence)
    per = 60.0 / count.seconds
    return GillRate(count.per_min, low * per, high * per, confidence)


@sensible_input()
def gill_baseline(counts: Sequence[GillCount]) -> GillBaseline | None:
    """Return the tank's own rate, or None below `LEAST_COUNTS` counts.

    Raises:
        UsageError: a count that no one can make.
    """
    for count in counts:
        count.check()
    return GillBaseline(tuple(counts)) if len(counts) >= LEAST_COUNTS else None


@sensible_input()
def compare(count: GillCount, baseline: GillBaseline) -> GillComparison:
    """Return how a count stands to the tank's own rate at this temperature.

    It is fast or slow only where its whole interval lies beyond the usual range.

    Raises:
        UsageError: a count that no one can make.
    """
    rate = gill_rate(count)
    usual = baseline.range_at(count.water_c)
    verdict = GillVerdict.AS_USUAL
    if rate.low_per_min > usual[1]:
        verdict = GillVerdict.FAST
    elif rate.high_per_min < usual[0]:
        verdict = GillVerdict.SLOW
    sentence = (
        f"gill beats {rate.per_min:.0f} a minute ({rate.low_per_min:.0f} to {rate.high_per_min:.0f}), "
        f"usually {usual[0]:.0f} to {usual[1]:.0f} at {count.water_c:g} °C: {verdict}"
    )
    working = (
        Step(
            f"{count.beats} beats in {count.seconds:g} s",
            "exact Poisson interval, 95 % (Garwood 1936)",
            f"{rate.low_per_min:.1f} to {rate.high_per_min:.1f} a minute",
        ),
        Step(
            f"{len(baseline.counts)} own counts, to {count.water_c:g} °C",
            f"Q10 {GILL_BEAT_Q10[0]:g} to {GILL_BEAT_Q10[1]:g}, median ± 2 robust sigma",
            f"{usual[0]:.1f} to {usual[1]:.1f} a minute",
        ),
    )
    return GillComparison(verdict, rate, usual, sentence, working)
