"""What the plans' options have in common: percentages, units, and values that are given or known."""

import argparse
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tankwatch.errors import UsageError

if TYPE_CHECKING:
    from tankwatch.care.known import Known
    from tankwatch.care.plan import Plan


@dataclass(frozen=True, slots=True)
class PlanCommand:
    """One plan that can be asked for on the command line."""

    name: str
    text: str
    """What it is about, for the help."""
    add_options: Callable[[argparse.ArgumentParser], None]
    work: "Callable[[argparse.Namespace, Known], Plan]"
    """Makes the plan of the options and what is known of the tank."""


def need(given: float | None, known: float | None, option: str, what: str) -> float:
    """Return what was given, else what is known.

    Raises:
        UsageError: neither.
    """
    if given is not None:
        return given
    if known is not None:
        return known
    raise UsageError(f"{what} is not known: give {option}, or --tank ID of a tank whose watch runs")


def either(given: float | None, known: float | None) -> float | None:
    """Return what was given, else what is known, which may be nothing."""
    return known if given is None else given


def as_share(text: str) -> float:
    """Return a percentage such as `40` or `40%` as a share."""
    try:
        percent = float(text.strip().removesuffix("%"))
    except ValueError:
        percent = float("nan")
    if not 0.0 <= percent <= 100.0:
        raise argparse.ArgumentTypeError(f"expected a percentage from 0 to 100, got {text!r}")
    return percent / 100.0


def add(parser: Any, option: str, unit: str, text: str, **more: Any) -> None:
    """Add an option that takes a number with a unit."""
    parser.add_argument(option, metavar=unit, **({"type": float} | more), help=text)
