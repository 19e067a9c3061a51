"""What every plan carries beside its numbers, so that a keeper can follow and doubt it."""

import contextlib
import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

from tankwatch.errors import UsageError


@dataclass(frozen=True, slots=True)
class Step:
    """One line of working: numbers in, the name of the formula, numbers out."""

    numbers_in: str
    formula: str
    numbers_out: str

    def __str__(self) -> str:
        """Return the line for people."""
        return f"{self.numbers_in} → {self.formula} → {self.numbers_out}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Base of all plans; subclasses add their results as numbers with units in the name."""

    title: str
    advice: tuple[str, ...]
    """What to do, in order."""
    inputs: tuple[tuple[str, str], ...]
    """What was given, as (name, value with unit)."""
    assumptions: tuple[str, ...]
    working: tuple[Step, ...]
    warnings: tuple[str, ...] = ()
    """Limits that what was asked for would break; the advice keeps to them."""
    caution: tuple[str, ...]
    """What can hurt people or fish in this work."""

    def as_dict(self) -> dict[str, Any]:
        """Return everything as data that JSON can carry; what takes for ever is the word `never`."""
        data: dict[str, Any] = _for_json(asdict(self))
        data["inputs"] = dict(self.inputs)
        return data

    def lines(self) -> Iterator[str]:
        """Yield the plan for people, line by line, without any markup."""
        yield self.title
        for heading, entries in (
            ("Warning", self.warnings),
            ("Do", self.advice),
            ("Given", tuple(f"{name}: {value}" for name, value in self.inputs)),
            ("Assumed", self.assumptions),
            ("Working", tuple(str(step) for step in self.working)),
            ("Caution", self.caution),
        ):
            if entries:
                yield ""
                yield heading
                yield from (f"  {entry}" for entry in entries)


def _for_json(value: Any) -> Any:
    """Return `value` with infinite numbers, which JSON has no word for, as `never`."""
    if isinstance(value, float) and math.isinf(value):
        return "never"
    if isinstance(value, dict):
        return {key: _for_json(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_for_json(item) for item in value]
    return value


@contextlib.contextmanager
def sensible_input() -> Iterator[None]:
    """Turn the `ValueError` of a formula into a `UsageError` with the same sentence; also a decorator.

    Raises:
        UsageError: the formula refused its input.
    """
    try:
        yield
    except ValueError as error:
        raise UsageError(str(error)) from error


def percent(share: float) -> str:
    """Return a share of 0..1 as a percentage for people."""
    return f"{100 * share:.3g} %"


def duration(minutes: float) -> str:
    """Return a time in minutes for people: `45 min`, `3 h 20 min`, `never`."""
    if math.isinf(minutes):
        return "never"
    whole = round(minutes)
    if whole < 60:
        return f"{whole} min"
    return f"{whole // 60} h {whole % 60} min" if whole % 60 else f"{whole // 60} h"
