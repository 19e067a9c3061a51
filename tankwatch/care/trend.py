"""Where a series of test results is heading."""

from collections.abc import Sequence

from tankwatch.care.plan import sensible_input
from tankwatch.physics.guard import finite, not_negative


@sensible_input()
def trend_per_day(results: Sequence[tuple[float, float]]) -> float | None:
    """Return the slope of (time in s, value) by least squares, per day; None below three results or one time.

    Raises:
        UsageError: a value is not a number.
    """
    if len(results) < 3:
        return None
    days = [finite("time in s", t) / 86_400.0 for t, _ in results]
    values = [finite("value", v) for _, v in results]
    mean_day, mean_value = sum(days) / len(days), sum(values) / len(values)
    spread = sum((d - mean_day) ** 2 for d in days)
    if spread == 0.0:
        return None
    return sum((d - mean_day) * (v - mean_value) for d, v in zip(days, values, strict=True)) / spread


@sensible_input()
def days_to_limit(results: Sequence[tuple[float, float]], limit: float) -> float | None:
    """Return the days from the last result until the trend reaches `limit`; None where it does not rise.

    Raises:
        UsageError: a value is not a number, or the limit is negative.
    """
    not_negative("limit", limit)
    slope = trend_per_day(results)
    if slope is None or slope <= 0.0:
        return None
    return max(0.0, (limit - results[-1][1]) / slope)
