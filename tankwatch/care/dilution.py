"""What repeated changes of water do to a concentration, such as nitrate."""

import math
from dataclasses import dataclass

from tankwatch.care.plan import Plan, Step, percent, sensible_input
from tankwatch.physics.guard import between, not_negative


@dataclass(frozen=True, slots=True)
class SteadyState:
    """Where a routine ends, in the unit it was asked in."""

    before_change: float
    after_change: float


@sensible_input()
def after_changes(
    start: float, share: float, changes: int, tap: float = 0.0, added_between: float = 0.0
) -> float:
    """Return the concentration just after the last of `changes` equal changes.

    From mass balance: each change leaves c (1 - f) + c_tap f; `added_between` grows before each but the
    first. Any unit, the same throughout.

    Raises:
        UsageError: the share is not within 0..1, or a number is negative.
    """
    not_negative("starting concentration", start)
    between("share changed", share, 0.0, 1.0)
    not_negative("number of changes", changes)
    not_negative("concentration of the tap", tap)
    not_negative("growth between changes", added_between)
    value = start
    for number in range(changes):
        value = (value + (added_between if number else 0.0)) * (1.0 - share) + tap * share
    return value


@sensible_input()
def steady_state(added_per_interval: float, share: float, tap: float = 0.0) -> SteadyState:
    """Return where a routine of equal changes ends: a (1 - f) / f + c_tap just after each, a more before.

    The limit of a geometric series.

    Raises:
        UsageError: the share is not above 0 and at most 1, or a number is negative.
    """
    not_negative("growth between changes", added_per_interval)
    not_negative("concentration of the tap", tap)
    if not 0.0 < share <= 1.0:
        raise ValueError(f"share changed must be above 0 and at most 1, got {share:g}")
    after = added_per_interval * (1.0 - share) / share + tap
    return SteadyState(before_change=after + added_per_interval, after_change=after)


@sensible_input()
def changes_to_reach(start: float, target: float, share: float, tap: float = 0.0) -> int:
    """Return how many equal changes, close together, bring `start` down to `target`.

    Raises:
        UsageError: the target is not above the tap, the share not within 0..1, or a number is negative.
    """
    not_negative("starting concentration", start)
    not_negative("concentration of the tap", tap)
    if not 0.0 < share <= 1.0:
        raise ValueError(f"share changed must be above 0 and at most 1, got {share:g}")
    if target >= start:
        return 0
    if target <= tap:
        if share == 1.0 and target == tap:
            return 1
        raise ValueError(
            f"a target of {target:g} cannot be reached with tap water that holds {tap:g}; "
            "use water that holds less"
        )
    if share == 1.0:
        return 1
    return max(1, math.ceil(math.log((target - tap) / (start - tap)) / math.log(1.0 - share) - 1e-9))


@dataclass(frozen=True, slots=True, kw_only=True)
class DilutionPlan(Plan):
    """What a routine of changes does to nitrate; mg/L in the unit it was asked in."""

    after_one_mg_per_l: float
    steady: SteadyState
    changes_to_target: int | None
    """Changes close together that bring it to the target; None where no target was given."""


@sensible_input()
def plan_dilution(
    *,
    now_mg_per_l: float,
    share: float,
    tap_mg_per_l: float = 0.0,
    added_per_interval_mg_per_l: float = 0.0,
    target_mg_per_l: float | None = None,
) -> DilutionPlan:
    """Plan what equal changes of `share` do to nitrate now, and where the routine ends.

    Raises:
        UsageError: the share is not above 0 and at most 1, a number is negative, or tap water holds too much
            for the target.
    """
    after_one = after_changes(now_mg_per_l, share, 1, tap_mg_per_l)
    steady = steady_state(added_per_interval_mg_per_l, share, tap_mg_per_l)
    changes = (
        None
        if target_mg_per_l is None
        else changes_to_reach(now_mg_per_l, target_mg_per_l, share, tap_mg_per_l)
    )
    advice = [
        f"one change of {percent(share)} takes nitrate from {now_mg_per_l:g} to {after_one:.1f} mg/L",
        f"the routine settles between {steady.after_change:.1f} and {steady.before_change:.1f} mg/L",
    ]
    working = [
        Step(
            f"{now_mg_per_l:g} mg/L, {percent(share)}, tap {tap_mg_per_l:g} mg/L",
            "c (1 - f) + c_tap f",
            f"{after_one:.2f} mg/L",
        ),
        Step(
            f"{added_per_interval_mg_per_l:g} mg/L between changes",
            "a (1 - f) / f + c_tap",
            f"{steady.after_change:.2f} mg/L after, {steady.before_change:.2f} before a change",
        ),
    ]
    if changes is not None:
        advice.append(
            f"{changes} such changes, close together, bring it to {target_mg_per_l:g} mg/L or below"
        )
        working.append(
            Step(f"{now_mg_per_l:g} to {target_mg_per_l:g} mg/L", "ln ratio / ln (1 - f)", str(changes))
        )
    return DilutionPlan(
        title="Nitrate over repeated changes of water",
        advice=tuple(advice),
        inputs=(
            ("now", f"{now_mg_per_l:g} mg/L"),
            ("share", percent(share)),
            ("tap", f"{tap_mg_per_l:g} mg/L"),
            ("grows between changes", f"{added_per_interval_mg_per_l:g} mg/L"),
        ),
        assumptions=("the tank is well mixed and nothing else takes nitrate out",),
        working=tuple(working),
        caution=("Bring high nitrate down over several changes: fish are used to their water.",),
        after_one_mg_per_l=after_one,
        steady=steady,
        changes_to_target=changes,
    )
