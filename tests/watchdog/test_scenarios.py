"""Seeded tanks, healthy and faulty, scored: told in time, by the right name, and no alarm without a cause.

All tanks are invented; the truth is what the simulation did. The quick table uses fewer readings and shorter
days than the whole one, which runs with `-m slow`.
"""

import math
from dataclasses import replace
from functools import cache

import pytest
from scenarios import DAY_S, FAULTS, HEALTHY, HOUR_S, Outcome, Scenario, draw, judge

from tankwatch.alarms.model import AlarmState

QUICK_SEEDS = (100, 101)
SLOW_SEEDS = range(200, 206)
_DAYS = {"light-off": 6.0, "drift": 4.0}


def quick(name: str, seed: int) -> Scenario:
    """Draw a scenario, read once or twice a minute and no longer than it needs."""
    scenario = draw(name, seed, _DAYS.get(name, 4.0))
    interval_s = 30.0 if scenario.spec.interval_s < 20.0 else 60.0
    scenario.spec = replace(scenario.spec, interval_s=interval_s)
    if name == "exposed":
        scenario.limit_s = 1800.0 + 2 * interval_s + 11
    if name in FAULTS and name not in _DAYS:
        # Some hours after the latest time at which it must be told.
        due_s = min(scenario.limit_s, 18 * HOUR_S) + 2 * HOUR_S
        scenario.days = (scenario.fault_s - scenario.start_s + due_s) / DAY_S
    elif name in HEALTHY:
        scenario.days = 3.0
    return scenario


@cache
def quick_outcome(name: str, seed: int) -> Outcome:
    """Judge a quick scenario, once."""
    return judge(quick(name, seed))


def said(outcome: Outcome) -> str:
    """Return what was told, for a failing test."""
    scenario = outcome.scenario
    lines = [
        f"{scenario.name}: {scenario.spec}, deadline {(outcome.deadline_s - scenario.fault_s) / HOUR_S:.1f} h"
    ]
    lines += [
        f"{(s.time_s - scenario.fault_s) / HOUR_S:+8.2f} h {s.alarm.condition.value} {s.alarm.state.value}"
        for s in outcome.steps
    ]
    return "\n".join(lines)


def is_in_time(outcome: Outcome) -> bool:
    """Tell whether the fault was told before its deadline, or was never due."""
    if outcome.told_s is None:
        return outcome.deadline_s == math.inf
    return outcome.told_s <= outcome.deadline_s


def is_right(outcome: Outcome) -> bool:
    """Tell whether the name was right as well."""
    return outcome.right or (outcome.told_s is None and outcome.deadline_s == math.inf)


@pytest.mark.parametrize("name", HEALTHY)
def test_a_healthy_tank_raises_nothing(name: str) -> None:
    outcome = quick_outcome(name, QUICK_SEEDS[0])
    assert outcome.readings > 8000
    assert outcome.false == [], said(outcome)


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_told_by_its_name_and_nothing_before_it(name: str) -> None:
    for seed in QUICK_SEEDS:
        outcome = quick_outcome(name, seed)
        assert outcome.false == [], said(outcome)
        raised = {s.alarm.condition for s in outcome.steps if s.alarm.state is AlarmState.UNACKNOWLEDGED}
        is_due = outcome.deadline_s < math.inf
        assert not is_due or raised & outcome.scenario.expected, said(outcome)


def test_faults_are_told_in_time() -> None:
    """95 of 100 before their deadline, and as many by the right name."""
    outcomes = [quick_outcome(name, seed) for name in FAULTS for seed in QUICK_SEEDS]
    late = [said(outcome) for outcome in outcomes if not is_in_time(outcome)]
    wrong = [said(outcome) for outcome in outcomes if not is_right(outcome)]
    assert len(late) <= 0.05 * len(outcomes), "\n".join(late)
    assert len(wrong) <= 0.05 * len(outcomes), "\n".join(wrong)


def test_a_scenario_is_the_same_every_time() -> None:
    one, other = quick_outcome("stuck-on", 100), judge(quick("stuck-on", 100))
    assert [(s.time_s, s.alarm.message) for s in one.steps] == [
        (s.time_s, s.alarm.message) for s in other.steps
    ]


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_the_whole_table() -> None:
    """95 of 100 faults in time, 90 by name, under one false alarm in 100 healthy tank-days."""
    in_time = by_name = drawn = 0
    false_alarms, healthy_days = 0, 0.0
    for name in (*HEALTHY, *FAULTS):
        for seed in SLOW_SEEDS:
            scenario = draw(name, seed, 6.0 if name in HEALTHY or name == "light-off" else 4.0)
            outcome = judge(scenario)
            false_alarms += len(outcome.false)
            if not scenario.expected:
                healthy_days += scenario.days
                continue
            healthy_days += (scenario.fault_s - scenario.start_s) / DAY_S
            drawn += 1
            in_time += is_in_time(outcome)
            by_name += is_right(outcome)
    assert in_time / drawn >= 0.95
    assert by_name / drawn >= 0.90
    assert 100.0 * false_alarms / healthy_days < 1.0
