"""The lamp over a stretch: hours of light, and light outside its window."""

from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np

from tankwatch.review.recording import Recording


@dataclass(frozen=True, slots=True)
class LightFacts:
    """What the lamp did."""

    hours_on: float
    hours_known: float
    hours_outside_window: float | None
    """On outside `light_window`; None where the tank has none."""


def light_facts(recording: Recording, zone: ZoneInfo) -> LightFacts | None:
    """Return the figures of the stretch; None where the lamp was not recorded in it."""
    inside = recording.inside
    light = recording.light[inside]
    known = np.isfinite(light)
    if not known.any():
        return None
    hours = recording.step_s / 3600.0
    window = recording.tank.light_window
    beyond = None
    if window is not None:
        outside = np.array([not _within(t, window, zone) for t in recording.time_s[inside].tolist()])
        beyond = float(np.nansum(light[outside]) * hours)
    return LightFacts(float(np.nansum(light) * hours), float(known.sum() * hours), beyond)


def _within(time_s: float, window: tuple[str, str], zone: ZoneInfo) -> bool:
    now = datetime.fromtimestamp(time_s, zone)
    minute = now.hour * 60 + now.minute
    begin, end = (int(text[:2]) * 60 + int(text[3:]) for text in window)
    return begin <= minute < end if begin <= end else minute >= begin or minute < end
