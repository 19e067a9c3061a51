"""When a straight course became another: the change-point of a line with one bend, by least squares.

The line is `a + b t` before the bend and `a + b t + c (t − bend)` after it: continuous, as water is. For each
candidate bend the three coefficients follow linearly; the bend with the least sum of squares is the estimate
(Hinkley, "Bootstrap methods and inference in two-phase regression", and earlier Hudson 1966: joined
segments; cited from memory).
"""

from dataclasses import dataclass

import numpy as np

from tankwatch.review.recording import Floats


@dataclass(frozen=True, slots=True)
class Bend:
    """One change of slope."""

    time_s: float
    """Estimate of the change-point, in the unit and origin of the times given."""
    uncertainty_s: float
    """Half width of the stretch of bends whose sum of squares is not clearly worse (F of 1 in 95 %)."""
    slope_before: float
    """Per hour."""
    slope_after: float
    """Per hour."""

    @property
    def change(self) -> float:
        """Change of slope, per hour."""
        return self.slope_after - self.slope_before


_LEAST = 8
"""Points that a bend needs to be looked for at all."""
_F_95 = 3.9
_CORRELATION = 3.0
"""Neighbouring minutes are not independent: the sum of squares counts for a third."""


def find_bend(time_s: Floats, value: Floats) -> Bend | None:
    """Return the bend in `value` (NaN is left out), or None where there is too little to look at."""
    known = np.isfinite(value)
    if int(known.sum()) < _LEAST:
        return None
    t = (time_s[known] - time_s[known][0]) / 3600.0
    y = value[known] - value[known].mean()
    candidates = t[2:-2]
    # A coarse walk first, then every point around the best one.
    coarse = candidates[:: max(1, len(candidates) // 60)]
    costs = np.array([_cost(t, y, bend)[0] for bend in coarse])
    best = float(coarse[int(np.argmin(costs))])
    width = (coarse[1] - coarse[0]) * 2 if len(coarse) > 1 else 0.1
    fine = np.linspace(max(best - width, t[1]), min(best + width, t[-2]), 41)
    fine_costs = np.array([_cost(t, y, bend)[0] for bend in fine])
    best = float(fine[int(np.argmin(fine_costs))])
    least, solution = _cost(t, y, best)
    freedom = max(1, len(t) - 4)
    limit = least * (1.0 + _F_95 * _CORRELATION / freedom) + 1e-12
    tried = np.concatenate([coarse, fine])
    near = tried[np.concatenate([costs, fine_costs]) <= limit]
    half = float(near.max() - near.min()) / 2 if len(near) else float(width)
    return Bend(
        time_s=float(time_s[known][0]) + best * 3600.0,
        uncertainty_s=max(half * 3600.0, float(np.median(np.diff(t))) * 1800.0),
        slope_before=float(solution[1]),
        slope_after=float(solution[1] + solution[2]),
    )


def _cost(t: Floats, y: Floats, bend: float) -> tuple[float, Floats]:
    rows = np.column_stack([np.ones(len(t)), t, np.maximum(t - bend, 0.0)])
    normal = rows.T @ rows + 1e-9 * np.eye(3)
    solution = np.linalg.solve(normal, rows.T @ y)
    residual = y - rows @ solution
    return float(residual @ residual), solution
