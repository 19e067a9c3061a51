"""A straight line through points by least squares, with its standard errors."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Line:
    """`y = intercept + slope · x`."""

    intercept: float
    slope: float
    slope_sigma: float
    """Standard error of the slope."""
    scatter: float
    """Standard deviation of the points about the line."""
    points: int
    x_low: float
    x_high: float

    def at(self, x: float) -> float:
        """Return the line's value at `x`."""
        return self.intercept + self.slope * x


def fit_line(x: Sequence[float], y: Sequence[float]) -> Line | None:
    """Return the line of least squares; None with fewer than three points, or all of them at one x.

    Raises:
        ValueError: `x` and `y` differ in length.
    """
    if len(x) != len(y):
        raise ValueError(f"{len(x)} values of x and {len(y)} of y")
    if len(x) < 3 or max(x) - min(x) <= 0.0:
        return None
    across, up = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    from_middle = across - across.mean()
    spread = float((from_middle**2).sum())
    slope = float((from_middle * (up - up.mean())).sum()) / spread
    intercept = float(up.mean()) - slope * float(across.mean())
    rest = up - intercept - slope * across
    scatter = math.sqrt(float((rest**2).sum()) / (len(x) - 2))
    return Line(
        intercept,
        slope,
        scatter / math.sqrt(spread),
        scatter,
        len(x),
        float(across.min()),
        float(across.max()),
    )
