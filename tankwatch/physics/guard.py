"""Refusal of input that no tank can have; every message names the quantity and what was expected."""

import math


def finite(name: str, value: float) -> float:
    """Return `value`, which must be a number.

    Raises:
        ValueError: NaN or infinite.
    """
    if not math.isfinite(value):
        raise ValueError(f"{name} must be a number, got {value}")
    return value


def positive(name: str, value: float) -> float:
    """Return `value`, which must be above 0.

    Raises:
        ValueError: 0, negative, NaN or infinite.
    """
    if not (math.isfinite(value) and value > 0.0):
        raise ValueError(f"{name} must be above 0, got {value:g}")
    return value


def not_negative(name: str, value: float) -> float:
    """Return `value`, which must be 0 or more.

    Raises:
        ValueError: negative, NaN or infinite.
    """
    if not (math.isfinite(value) and value >= 0.0):
        raise ValueError(f"{name} must be 0 or more, got {value:g}")
    return value


def between(name: str, value: float, low: float, high: float) -> float:
    """Return `value`, which must lie in `low`..`high`, ends included.

    Raises:
        ValueError: outside, or NaN.
    """
    if not low <= value <= high:
        raise ValueError(f"{name} must be from {low:g} to {high:g}, got {value:g}")
    return value
