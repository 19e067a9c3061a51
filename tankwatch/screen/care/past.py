"""What the store tells for the care of one tank: the record, what is due, and what is usual here."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

import numpy as np

from tankwatch.care.circumstances import PastEvent, TankLimits, seen_before
from tankwatch.care.entry_text import OBSERVATION_KIND, TEST_KIND, observations_in, parse_test
from tankwatch.care.observations import (
    Observation,
    ObservationJudgement,
    OwnNormal,
    judge_observation,
    own_normal,
)
from tankwatch.care.schedule import DEFAULT_ROUTINE, DueTask, RoutineTask, TankFacts, due_tasks, hints
from tankwatch.care.trend import days_to_limit
from tankwatch.care.water_tests import ResultLevel, WaterLimits, WaterTest, judge
from tankwatch.errors import StoreError, UsageError
from tankwatch.physics.nitrogen import as_nitrogen_mg_per_l
from tankwatch.reading import Channel, ServiceMark
from tankwatch.screen.care.fill_form import DOSE_KIND, FILL_KIND, given_in
from tankwatch.screen.chart.strips import hours_by_day
from tankwatch.screen.feed import EntryLike, History, MarkLike

_DAY_S = 86_400.0
_YEAR_S = 400 * _DAY_S
_FORTNIGHT = 14
_TEST_HOLDS_S = 36 * 3600.0
"""A water test older than this says nothing of the water now."""


@dataclass(frozen=True, slots=True)
class TankNormal:
    """What a look at the fish is judged by."""

    own: OwnNormal
    circumstances: tuple[str, ...] = ()
    """What the sensors saw and what was done in the hours before, as sentences."""
    before: ObservationJudgement | None = None
    """The look before this one, judged."""
    water_is_fine: bool | None = None


@dataclass(frozen=True, slots=True)
class CarePast:
    """What was read for one tank."""

    tank: str
    entries: Sequence[EntryLike] = field(default_factory=tuple)
    """Oldest first."""
    marks: Sequence[MarkLike] = field(default_factory=tuple)
    water: tuple[tuple[float, float], ...] = ()
    """(seconds since 1970 UTC, °C) over the last day."""
    light_hours_mean: float | None = None
    trouble: str = ""


def fetch_care(history: History, tank_id: str, now_s: float, zone: ZoneInfo) -> CarePast:
    """Read what the care page shows; a store that cannot be read is told, not raised."""
    per_hour = 4
    try:
        water = history.series(tank_id, Channel.TEMPERATURE, now_s - _DAY_S, now_s, 288)
        days_from = now_s - (_FORTNIGHT + 1) * _DAY_S
        light = history.series(tank_id, Channel.LIGHT, days_from, now_s, (_FORTNIGHT + 1) * 24 * per_hour)
        days = hours_by_day(light.time_s, light.mean, 3600.0 / per_hour, zone, now_s, _FORTNIGHT)
        known = [hours for _, hours in days[:-1] if hours is not None]
        return CarePast(
            tank_id,
            entries=history.log(now_s - _YEAR_S, now_s + 60.0, tank_id),
            marks=history.marks(now_s - 60 * _DAY_S, now_s + 60.0, tank_id),
            water=tuple(
                (float(t), float(c)) for t, c in zip(water.time_s, water.mean, strict=True) if np.isfinite(c)
            ),
            light_hours_mean=sum(known) / len(known) if known else None,
        )
    except StoreError as error:
        return CarePast(tank_id, trouble=str(error))


def due(
    past: CarePast, now_s: float, routine: Sequence[RoutineTask] = DEFAULT_ROUTINE
) -> tuple[DueTask, ...]:
    """Return the routine, most pressing first; an entry counts for the task that its kind names."""
    known = {task.key for task in routine}
    last: dict[str, float] = {}
    for entry in past.entries:
        if entry.kind in known:
            last[entry.kind] = max(entry.time_s, last.get(entry.kind, entry.time_s))
    return due_tasks(now_s, last, routine)


def tests_of(past: CarePast) -> list[tuple[float, WaterTest]]:
    """Return the water tests of the record, oldest first; free prose is passed over."""
    found = []
    for entry in past.entries:
        if entry.kind == TEST_KIND:
            try:
                found.append((entry.time_s, parse_test(entry.text)[0]))
            except UsageError:
                continue  # written by hand, in other words
    return found


def looks_of(past: CarePast) -> list[Observation]:
    """Return the observations of the record, oldest first."""
    return observations_in((e.time_s, e.text) for e in past.entries if e.kind == OBSERVATION_KIND)


def given_today_ml(past: CarePast, now_s: float) -> float:
    """Return the conditioner given within the last 24 hours, as the last dose or lift tells it, mL."""
    recent = [e for e in past.entries if e.kind in (DOSE_KIND, FILL_KIND) and e.time_s > now_s - _DAY_S]
    totals = [given_in(e.text) for e in recent]
    return max((total for total in totals if total is not None), default=0.0)


def normal_of(past: CarePast, limits: TankLimits, now_s: float) -> TankNormal:
    """Return what a look is judged by.

    Raises:
        UsageError: a record that cannot be.
    """
    looks = looks_of(past)
    own = own_normal(looks)
    events = [*_work(past.marks), *_done(past.entries)]
    fine: bool | None = None
    tests = tests_of(past)
    if tests and tests[-1][0] > now_s - _TEST_HOLDS_S:
        fine = judge(tests[-1][1]).level.rank < ResultLevel.ACT_TODAY.rank
    before = None
    if looks and looks[-1].time_s > now_s - 3 * _DAY_S:
        before = judge_observation(looks[-1], own_normal(looks[:-1]))
    return TankNormal(own, seen_before(now_s, past.water, limits, events), before, fine)


def _work(marks: Iterable[MarkLike]) -> list[PastEvent]:
    return [
        PastEvent(
            m.time_s, "the water level was lowered" if m.mark is ServiceMark.WATER_OUT else "work in the tank"
        )
        for m in marks
        if m.mark is not ServiceMark.END
    ]


def _done(entries: Iterable[EntryLike]) -> list[PastEvent]:
    names = {"change": "water was changed", FILL_KIND: "new water ran in", "filter": "the filter was rinsed"}
    return [PastEvent(e.time_s, names[e.kind]) for e in entries if e.kind in names]


def suggestions(
    past: CarePast, light_hours_max: float | None, duty_24h: float | None, expected_duty: float | None
) -> tuple[str, ...]:
    """Return what the data suggest for the routine, as sentences."""
    limits = WaterLimits()
    tests = tests_of(past)
    worst = None
    if tests:
        findings = judge(tests[-1][1], limits).findings
        levels = [f.level for f in findings if f.quantity in ("ammonia", "nitrite")]
        worst = max(levels, key=lambda level: level.rank, default=None)
    nitrate = [
        (t, as_nitrogen_mg_per_l(test.nitrate_mg_per_l, test.nitrate_unit))
        for t, test in tests
        if test.nitrate_mg_per_l is not None
    ]
    return hints(
        TankFacts(
            light_hours_mean=past.light_hours_mean,
            light_hours_max=light_hours_max,
            algae_seen=any("algae" in e.text.lower() for e in list(past.entries)[-20:]),
            worst_ammonia_or_nitrite=worst,
            nitrate_days_to_limit=days_to_limit(nitrate, limits.nitrate_act_mg_n_per_l),
            duty_24h=duty_24h,
            expected_duty=expected_duty,
        )
    )
