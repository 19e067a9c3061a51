"""Figures of the water over a stretch: extremes, fastest changes, time and degree-hours outside the band."""

from dataclasses import dataclass

import numpy as np

from tankwatch.review.recording import Floats, Recording


@dataclass(frozen=True, slots=True)
class Change:
    """A change of the water over a fixed time."""

    change_k: float
    end_s: float
    """When it was complete, seconds since 1970 UTC."""


@dataclass(frozen=True, slots=True)
class WaterFacts:
    """What the water did, from means of a minute (or of the probe's interval, if that is longer).

    Extremes are of means over three of those, so that noise and rounding of the probe do not count as heat.
    """

    least_c: float
    least_s: float
    greatest_c: float
    greatest_s: float
    mean_c: float
    fastest_10min: Change | None
    """Largest change within 10 minutes, by size; None where no 10 minutes are whole."""
    fastest_1h: Change | None
    minutes_below: float
    """Below the low limit."""
    minutes_above: float
    degree_hours_below: float
    """Integral of the distance below the low limit, K·h."""
    degree_hours_above: float
    known_minutes: float
    """Time for which any of this is known."""


def water_facts(recording: Recording) -> WaterFacts | None:
    """Return the figures of the stretch; None where no reading fell into it."""
    inside = recording.inside
    time_s, water_c = recording.time_s[inside], recording.water_c[inside]
    known = np.isfinite(water_c)
    if not known.any():
        return None
    tank = recording.tank
    below_min, below_kh = outside(time_s, tank.band_low_c - water_c, recording.step_s)
    above_min, above_kh = outside(time_s, water_c - tank.band_high_c, recording.step_s)
    even_c = evened(water_c, 3)
    least, greatest = int(np.nanargmin(even_c)), int(np.nanargmax(even_c))
    return WaterFacts(
        least_c=float(even_c[least]),
        least_s=float(time_s[least]),
        greatest_c=float(even_c[greatest]),
        greatest_s=float(time_s[greatest]),
        mean_c=float(np.nanmean(water_c)),
        fastest_10min=fastest_change(time_s, water_c, recording.step_s, 600.0),
        fastest_1h=fastest_change(time_s, water_c, recording.step_s, 3600.0),
        minutes_below=below_min,
        minutes_above=above_min,
        degree_hours_below=below_kh,
        degree_hours_above=above_kh,
        known_minutes=float(known.sum()) * recording.step_s / 60.0,
    )


def evened(water_c: Floats, width: int) -> Floats:
    """Return the mean of `width` (odd) steps around each, as far as they are known; NaN stays NaN."""
    side = np.full(width // 2, np.nan)
    around = np.lib.stride_tricks.sliding_window_view(np.concatenate([side, water_c, side]), width)
    number = np.isfinite(around).sum(axis=1)
    return np.where(np.isfinite(water_c), np.nansum(around, axis=1) / np.maximum(number, 1), np.nan)


def outside(time_s: Floats, excess_k: Floats, step_s: float) -> tuple[float, float]:
    """Return minutes with a positive excess and its integral in K·h, by straight lines between the steps.

    Where a step is unknown (NaN) nothing is added: a gap counts neither as inside nor as outside.
    """
    first, second = excess_k[:-1], excess_k[1:]
    both = np.isfinite(first) & np.isfinite(second) & (np.diff(time_s) < 1.5 * step_s)
    a, b = first[both], second[both]
    high, low = np.maximum(a, b), np.minimum(a, b)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(low >= 0, 1.0, np.where(high <= 0, 0.0, high / (high - low)))
    mean = np.where(low >= 0, (a + b) / 2, np.maximum(high, 0.0) / 2)
    minutes = float((share * (high > 0)).sum() * step_s / 60.0)
    return minutes, float((share * mean).sum() * step_s / 3600.0)


def fastest_change(time_s: Floats, water_c: Floats, step_s: float, over_s: float) -> Change | None:
    """Return the largest change over `over_s`, looking only at windows that are known throughout."""
    width = round(over_s / step_s)
    if width < 1 or len(water_c) <= width:
        return None
    bad = np.concatenate([[0], np.cumsum(~np.isfinite(water_c))])
    whole = bad[width + 1 :] - bad[: -width - 1] == 0
    if not whole.any():
        return None
    change = np.where(whole, water_c[width:] - water_c[:-width], 0.0)
    best = int(np.argmax(np.abs(change)))
    return Change(float(change[best]), float(time_s[best + width]))
