"""A stretch of one channel as arrays, and what can be worked out of it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

HOLD_S = 900.0
"""An on/off state is believed this long without news."""


@dataclass(frozen=True, slots=True)
class Series:
    """Five arrays of equal length, in time order.

    Each element is one reading (`low`, `high` and `mean` are its value, `count` is 1) or one bucket that
    holds readings: `time_s` is then the middle of the bucket, `mean` the plain mean of its readings.
    """

    time_s: Floats
    """Seconds since 1970 UTC."""
    low: Floats
    high: Floats
    mean: Floats
    count: NDArray[np.int64]
    damaged: tuple[tuple[float, float], ...] = ()
    """Stretches (s) of which something is left out, since the store is damaged there. A chart shows the
    figures of hours for them, as far as there are any."""

    def __len__(self) -> int:
        """Return the number of elements."""
        return len(self.time_s)


def series_of_arrays(time_ms: NDArray[np.int64], value: Floats) -> Series:
    """Return readings as they are; times in ms."""
    return Series(time_ms / 1000.0, value, value, value, np.ones(len(value), dtype=np.int64))


def series_of_buckets(table: Floats, start_s: float, width_s: float) -> Series:
    """Return rows of (bucket, low, high, mean, count); bucket 0 begins at `start_s`."""
    return Series(
        start_s + (table[:, 0] + 0.5) * width_s,
        np.ascontiguousarray(table[:, 1]),
        np.ascontiguousarray(table[:, 2]),
        np.ascontiguousarray(table[:, 3]),
        table[:, 4].astype(np.int64),
    )


def seconds_on(time_s: Floats, value: Floats, from_s: float, to_s: float, hold_s: float) -> float:
    """Return for how long an on/off channel was on between `from_s` and `to_s`, in seconds.

    A state holds until the next reading, at most for `hold_s`: beyond that nobody knows. `time_s` is in
    order and may begin before `from_s`, whose state then counts as far as it holds.
    """
    if len(time_s) == 0:
        return 0.0
    following = np.append(time_s[1:], np.inf)
    begin = np.maximum(time_s, from_s)
    end = np.minimum(np.minimum(following, time_s + hold_s), to_s)
    held = np.maximum(end - begin, 0.0)
    return float(held[value >= 0.5].sum())
