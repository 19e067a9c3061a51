"""The exact interval of a count: what 25 beats in half a minute really tell."""

import math
from collections.abc import Callable

from tankwatch.physics.guard import positive

_MOST = 1_000_000


def poisson_tail_at_most(count: int, mean: float) -> float:
    """Return P(N <= count) of a Poisson count with this mean; accurate where `mean` >= `count`.

    Summed downwards from the largest term, so the small tail keeps its digits.

    Raises:
        ValueError: the count is negative or the mean not above 0.
    """
    _check(count)
    positive("mean", mean)
    if mean < count:
        return 1.0 - poisson_tail_at_least(count + 1, mean)
    term = total = math.exp(count * math.log(mean) - mean - math.lgamma(count + 1))
    for k in range(count, 0, -1):
        term *= k / mean
        total += term
        if term < total * 1e-17:
            break
    return total


def poisson_tail_at_least(count: int, mean: float) -> float:
    """Return P(N >= count) of a Poisson count with this mean; accurate where `mean` <= `count`.

    Raises:
        ValueError: the count is negative or the mean not above 0.
    """
    _check(count)
    positive("mean", mean)
    if count == 0:
        return 1.0
    if mean > count:
        return 1.0 - poisson_tail_at_most(count - 1, mean)
    term = total = math.exp(count * math.log(mean) - mean - math.lgamma(count + 1))
    k = count
    while term > total * 1e-17:
        k += 1
        term *= mean / k
        total += term
    return total


def poisson_interval(count: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return the exact two-sided interval of the mean behind a count (same unit: counts).

    Source: Garwood 1936, Biometrika 28:437-442: the means at which a count as low or as high as this one
    has half of `1 - confidence`. At count 0 the lower end is 0 and the upper end still two-sided.

    Raises:
        ValueError: the count is negative or above a million, or the confidence is not between 0 and 1.
    """
    _check(count)
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence must be between 0 and 1, got {confidence:g}")
    tail = (1.0 - confidence) / 2.0
    low = 0.0 if count == 0 else _root(lambda mean: poisson_tail_at_least(count, mean) - tail, 0.0, count)
    start = max(1.0, float(count))
    high = start
    while poisson_tail_at_most(count, high) > tail:
        high *= 2.0
    return low, _root(lambda mean: tail - poisson_tail_at_most(count, mean), count, high)


def _root(rising: Callable[[float], float], low: float, high: float) -> float:
    """Return where a rising function crosses 0, by halving until no float lies between."""
    while True:
        middle = (low + high) / 2.0
        if middle in (low, high) or high - low < 1e-13 * high:
            return middle
        if rising(middle) < 0.0:
            low = middle
        else:
            high = middle


def _check(count: int) -> None:
    if not 0 <= count <= _MOST:
        raise ValueError(f"count must be from 0 to {_MOST}, got {count}")
