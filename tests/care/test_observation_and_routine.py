"""Observations against the tank's own normal, what the sensors saw, and the routine."""

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tankwatch.care.circumstances import PastEvent, TankLimits, seen_before
from tankwatch.care.gill_beats import (
    LEAST_COUNTS,
    GillCount,
    GillVerdict,
    compare,
    gill_baseline,
    gill_rate,
)
from tankwatch.care.observations import (
    LEAST_RECORDS,
    MAD_TO_SIGMA,
    Advice,
    Breathing,
    FeedingResponse,
    Observation,
    judge_observation,
    own_normal,
)
from tankwatch.care.schedule import (
    DEFAULT_ROUTINE,
    DueState,
    RoutineTask,
    TankFacts,
    due_tasks,
    hints,
    visit_sheet,
)
from tankwatch.care.water_tests import ResultLevel
from tankwatch.errors import UsageError

Row = Callable[[str], Any]
DAY = 86_400.0
NOW = 1_790_000_000.0
QUIET = [
    Observation(
        NOW - n * DAY,
        gill=GillCount(44 + n % 3, 30.0, 25.0),
        fish=10,
        hiding=n % 2,
        calm_down_min=3.0 + n % 2,
        chasing=True,
    )
    for n in range(1, 8)
]
NORMAL = own_normal(QUIET)


def test_rate_has_the_exact_interval(check_row: Row) -> None:
    row = check_row("poisson.25.95")
    rate = gill_rate(GillCount(25, 30.0, 25.0))
    assert rate.per_min == 50.0
    row.agrees(rate.low_per_min / 2, rate.high_per_min / 2)  # 30 s: twice per minute


def test_scale_of_the_robust_spread(check_row: Row) -> None:
    check_row("mad.scale").agrees(MAD_TO_SIGMA)
    row = check_row("mad.example")
    observations = [Observation(NOW, calm_down_min=float(x)) for x in row.inputs["x"]]
    usual = own_normal(observations).calm_down_min
    assert usual is not None
    row.agrees(usual[1] / MAD_TO_SIGMA, usual[1])


def test_warm_water_alone_is_not_fast_breathing(check_row: Row) -> None:
    # 25 to 28 °C at the published Q10 range is a factor of 1.18 to 1.31.
    baseline = gill_baseline([GillCount(45, 30.0, 25.0)] * 6)
    assert baseline is not None
    low, high = baseline.range_at(28.0)
    factors = check_row("q10.25_28").expected
    assert low == pytest.approx(90 * factors[0], rel=0.001)
    assert high == pytest.approx(90 * factors[2], rel=0.001)
    warm = compare(GillCount(110, 60.0, 28.0), baseline)
    assert warm.verdict is GillVerdict.AS_USUAL
    same_count_in_cool_water = compare(GillCount(440, 240.0, 22.0), baseline)
    assert same_count_in_cool_water.verdict is GillVerdict.FAST


@given(st.integers(0, 300), st.sampled_from([15.0, 30.0, 60.0]), st.floats(20.0, 30.0))
def test_a_count_is_odd_only_with_its_whole_interval(beats: int, seconds: float, water_c: float) -> None:
    baseline = gill_baseline([GillCount(45, 30.0, 25.0)] * LEAST_COUNTS)
    assert baseline is not None
    result = compare(GillCount(beats, seconds, water_c), baseline)
    if result.verdict is GillVerdict.FAST:
        assert result.rate.low_per_min > result.usual_per_min[1]
    if result.verdict is GillVerdict.SLOW:
        assert result.rate.high_per_min < result.usual_per_min[0]


def test_few_counts_make_no_normal() -> None:
    assert gill_baseline([GillCount(45, 30.0, 25.0)] * (LEAST_COUNTS - 1)) is None
    few = own_normal(QUIET[: LEAST_RECORDS - 1])
    assert few.hiding_share is None
    judgement = judge_observation(Observation(NOW, gill=GillCount(99, 30.0, 25.0), fish=10, hiding=6), few)
    assert judgement.advice is Advice.USUAL
    assert any("no gill-beat normal yet" in remark for remark in judgement.remarks)
    assert any("no normal for hiding yet" in remark for remark in judgement.remarks)


def test_a_quiet_tank_is_as_usual() -> None:
    judgement = judge_observation(QUIET[0], NORMAL, circumstances=("the water cooled 2.0 K",))
    assert judgement.advice is Advice.USUAL
    assert judgement.steps == ()
    assert judgement.likely == ()  # nothing odd, so nothing to explain


def test_newcomers_may_hide() -> None:
    hiding = Observation(NOW, fish=10, hiding=8)
    assert judge_observation(hiding, NORMAL).advice is Advice.WATCH
    with_newcomers = judge_observation(replace(hiding, newcomers_since_days=2.0), NORMAL)
    assert with_newcomers.advice is Advice.USUAL
    assert any("newcomers may hide" in remark for remark in with_newcomers.remarks)


def test_odd_signs_are_graded() -> None:
    fast = judge_observation(Observation(NOW, breathing=Breathing.FAST), NORMAL, ("it was 31.0 °C 5 h ago",))
    assert fast.advice is Advice.TEST_WATER
    assert fast.likely == ("it was 31.0 °C 5 h ago",)
    assert "test ammonia, nitrite and pH before anything else" in fast.steps
    slow_calm = judge_observation(Observation(NOW, chasing=True, calm_down_min=40.0), NORMAL)
    assert slow_calm.advice is Advice.WATCH
    two = judge_observation(
        Observation(NOW, chasing=True, calm_down_min=40.0, feeding=FeedingResponse.SOME), NORMAL
    )
    assert two.advice is Advice.TEST_WATER  # two mild signs together
    surface = judge_observation(Observation(NOW, breathing=Breathing.AT_SURFACE), NORMAL)
    assert surface.advice is Advice.SHOW
    assert surface.steps[0].startswith("aerate now")
    grave = judge_observation(Observation(NOW, breathing=Breathing.AT_SURFACE, erratic=True), NORMAL)
    assert grave.advice is Advice.VETERINARIAN
    assert any("veterinarian" in line for line in grave.caution)
    beats = judge_observation(Observation(NOW, gill=GillCount(95, 30.0, 25.0)), NORMAL)
    assert beats.advice is Advice.TEST_WATER
    assert "fast" in beats.oddities[0].what


def test_what_lasts_in_fine_water_is_taken_further() -> None:
    first = judge_observation(Observation(NOW, breathing=Breathing.FAST), NORMAL)
    second = judge_observation(
        Observation(NOW + DAY, breathing=Breathing.FAST), NORMAL, before=first, water_is_fine=True
    )
    assert second.advice is Advice.SHOW
    erratic = Observation(NOW + 2 * DAY, erratic=True)
    third = judge_observation(erratic, NORMAL, before=second, water_is_fine=True)
    assert third.advice is Advice.VETERINARIAN
    foul = judge_observation(
        Observation(NOW + DAY, breathing=Breathing.FAST), NORMAL, before=first, water_is_fine=False
    )
    assert foul.advice is Advice.TEST_WATER
    assert any("do what the water test says first" in step for step in foul.steps)


def test_what_the_sensors_saw() -> None:
    limits = TankLimits(low_c=23.0, high_c=27.5, max_rate_c_per_h=1.5)
    series = [(NOW - 10 * 3600 + 60 * n, 25.0) for n in range(300)]
    series += [(series[-1][0] + 60 * n, 25.0 - 2.2 * n / 30) for n in range(1, 31)]
    series += [(NOW - 3600.0, 28.4), (NOW - 3000.0, -127.0)]
    found = seen_before(
        NOW,
        series,
        limits,
        events=[
            PastEvent(NOW - 7200.0, "30 % of the water was changed"),
            PastEvent(NOW - 9 * DAY, "fish were added"),
        ],
    )
    text = "\n".join(found)
    assert "the water cooled 2.2 °C within an hour" in text
    # EN 25814 prints 7.83 mg/L at 28 °C.
    assert "it was 28.4 °C 60 min ago: such water holds at most 7.8 mg/L oxygen" in text
    assert "it was 22.8 °C" in text
    assert "30 % of the water was changed 2 h ago" in text
    assert "fish were added" not in text
    assert "-127" not in text
    assert seen_before(NOW, [(NOW - 60.0, 25.0)], limits) == ()


def test_due_and_overdue() -> None:
    done = {task.key: NOW - DAY for task in DEFAULT_ROUTINE}
    done["change"] = NOW - 20 * DAY  # 6 days late of 14: overdue
    done["test"] = NOW - 15 * DAY  # a day late: due
    del done["filter"]
    due = due_tasks(NOW, done)
    assert [(d.task.key, d.state) for d in due[:3]] == [
        ("change", DueState.OVERDUE),
        ("filter", DueState.NEVER_DONE),
        ("test", DueState.DUE),
    ]
    assert due[0].due_in_days == pytest.approx(-6.0)
    assert all(d.state is DueState.LATER for d in due[3:])
    stepped = due_tasks(NOW, {"change": NOW + 400 * DAY})  # a clock that had run ahead
    assert next(d for d in stepped if d.task.key == "change").due_in_days == 14.0


def test_hints_from_data() -> None:
    assert hints(TankFacts()) == ()
    told = hints(
        TankFacts(
            light_hours_mean=12.0,
            light_hours_max=8.0,
            worst_ammonia_or_nitrite=ResultLevel.ACT_TODAY,
            nitrate_days_to_limit=5.0,
            duty_24h=0.8,
            expected_duty=0.4,
        )
    )
    assert len(told) == 4
    assert "12.0 h a day, more than 8" in told[0]
    assert "feed less" in told[1]
    assert "an hour less" in hints(TankFacts(light_hours_mean=7.0, light_hours_max=8.0, algae_seen=True))[0]


@pytest.mark.parametrize("width", [20, 32, 40, 80])
def test_visit_sheet_fits_a_narrow_terminal(width: int) -> None:
    sheet = visit_sheet("Long tank", due_tasks(NOW, {"change": NOW - 30 * DAY}), ["feed less"], width)
    assert max(len(line) for line in sheet) <= width
    text = " ".join(" ".join(sheet).split())
    assert "[ ] change water: overdue" in text
    assert "- feed less" in text
    assert "unplug heater, light and pump before hands go in" in text


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: gill_rate(GillCount(-1, 30.0, 25.0)), "gill beats must be from 0"),
        (lambda: gill_rate(GillCount(25, 0.0, 25.0)), "seconds of counting must be from 1"),
        (lambda: gill_rate(GillCount(25, 30.0, math.nan)), "water temperature"),
        (lambda: gill_rate(GillCount(25, 30.0, 25.0), 95.0), "confidence must be between 0 and 1"),
        (
            lambda: own_normal([Observation(NOW, fish=3, hiding=5)]),
            "fish that hide must be from 0 to 3, got 5",
        ),
        (lambda: judge_observation(Observation(math.nan), NORMAL), "time in s must be a number"),
        (lambda: judge_observation(Observation(NOW, calm_down_min=-1.0), NORMAL), "minutes to calm down"),
        (lambda: due_tasks(NOW, {"paint": NOW}), "unknown task 'paint'; expected one of: change"),
        (lambda: due_tasks(NOW, {}, [RoutineTask("x", "x", 0.0)]), "days between two times of 'x'"),
        (lambda: visit_sheet("t", (), width=5), "at least 20 characters, got 5"),
        (lambda: seen_before(NOW, [], TankLimits(20.0, 30.0, 1.0), look_back_h=0.0), "hours to look back"),
    ],
)
def test_nonsense_is_refused_by_name(call: Callable[[], object], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        call()
