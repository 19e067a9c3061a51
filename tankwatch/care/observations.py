"""What the keeper saw: one quick, structured record, judged against this tank's own normal."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import median

from tankwatch.care import cautions
from tankwatch.care.gill_beats import GillBaseline, GillCount, GillVerdict, compare, gill_baseline
from tankwatch.care.plan import sensible_input
from tankwatch.physics.guard import between, finite

NEWCOMER_DAYS = 7.0
"""Days in which new fish may hide (common practice, no published source)."""
LEAST_RECORDS = 5
"""Records before a tank has a normal of its own."""
MAD_TO_SIGMA = 1.4826022185
"""Scale of the median absolute deviation to a standard deviation (Hampel 1974)."""


class Breathing(StrEnum):
    """How the fish breathe, at a glance."""

    NORMAL = "normal"
    FAST = "fast"
    LABOURED = "laboured"
    AT_SURFACE = "at the surface"


class FeedingResponse(StrEnum):
    """How the fish took their feed."""

    ALL = "all"
    SOME = "some"
    NONE = "none"
    NOT_OFFERED = "not offered"


class Advice(StrEnum):
    """What a finding asks for, mildest first."""

    USUAL = "as usual"
    WATCH = "watch"
    TEST_WATER = "test the water"
    SHOW = "take a video and a water sample to an experienced shop"
    VETERINARIAN = "call a veterinarian"

    @property
    def rank(self) -> int:
        """0 for as usual to 4 for the veterinarian."""
        return list(Advice).index(self)


@dataclass(frozen=True, slots=True)
class Observation:
    """One look at one tank. Only the time is needed; what was not looked at keeps its default."""

    time_s: float
    """Seconds since 1970 UTC."""
    breathing: Breathing = Breathing.NORMAL
    gill: GillCount | None = None
    fish: int | None = None
    """Fish in the tank."""
    hiding: int = 0
    """Fish that hide."""
    chasing: bool = False
    calm_down_min: float | None = None
    """Minutes until chasing calmed down."""
    erratic: bool = False
    """Darting, spinning, listing, scraping."""
    feeding: FeedingResponse = FeedingResponse.NOT_OFFERED
    newcomers_since_days: float | None = None
    """Days since fish were last added."""
    note: str = ""
    attachments: tuple[str, ...] = ()
    """Paths of photos or videos."""

    def check(self) -> None:
        """Refuse a record that cannot be.

        Raises:
            ValueError: so, naming the field.
        """
        finite("time in s", self.time_s)
        if self.fish is not None:
            between("number of fish", self.fish, 0, 100_000)
            between("fish that hide", self.hiding, 0, self.fish)
        else:
            between("fish that hide", self.hiding, 0, 100_000)
        if self.calm_down_min is not None:
            between("minutes to calm down", self.calm_down_min, 0.0, 1440.0)
        if self.newcomers_since_days is not None:
            between("days since fish were added", self.newcomers_since_days, 0.0, 36_500.0)

    @property
    def hiding_share(self) -> float | None:
        """Hiding fish as a share of all, 0..1; None where the fish were not counted."""
        return self.hiding / self.fish if self.fish else None

    @property
    def has_newcomers(self) -> bool:
        """Fish were added within `NEWCOMER_DAYS`."""
        return self.newcomers_since_days is not None and self.newcomers_since_days <= NEWCOMER_DAYS


@dataclass(frozen=True, slots=True)
class OwnNormal:
    """What is usual in this tank, from its own records; None where there are too few."""

    records: int
    hiding_share: tuple[float, float] | None
    """Median, and a robust standard deviation."""
    calm_down_min: tuple[float, float] | None
    gill: GillBaseline | None


@dataclass(frozen=True, slots=True)
class Oddity:
    """One thing that is unlike this tank."""

    what: str
    advice: Advice


@dataclass(frozen=True, slots=True)
class ObservationJudgement:
    """A record, judged."""

    advice: Advice
    oddities: tuple[Oddity, ...]
    likely: tuple[str, ...]
    """What the sensors saw in the hours before, as given."""
    steps: tuple[str, ...]
    remarks: tuple[str, ...]
    """What was seen and is not alarming by itself, and what is not known yet."""
    caution: tuple[str, ...]


@sensible_input()
def own_normal(past: Sequence[Observation]) -> OwnNormal:
    """Return what is usual in this tank: medians and robust spreads of records without newcomers or alarms.

    Raises:
        UsageError: a record that cannot be.
    """
    for observation in past:
        observation.check()
    quiet = [o for o in past if not o.has_newcomers and not o.erratic and o.breathing is Breathing.NORMAL]
    return OwnNormal(
        records=len(quiet),
        hiding_share=_middle([o.hiding_share for o in quiet if o.hiding_share is not None]),
        calm_down_min=_middle([o.calm_down_min for o in quiet if o.calm_down_min is not None]),
        gill=gill_baseline([o.gill for o in quiet if o.gill is not None]),
    )


@sensible_input()
def judge_observation(
    now: Observation,
    normal: OwnNormal,
    circumstances: Sequence[str] = (),
    before: ObservationJudgement | None = None,
    water_is_fine: bool | None = None,
) -> ObservationJudgement:
    """Judge a record against the tank's own normal and what the sensors saw in the hours before.

    `circumstances` are sentences such as those of `circumstances.seen_before`; `before` is the judgement of
    the record before this one, so that what lasts is taken more seriously; `water_is_fine` is the last
    water test's result, None where the water was not tested since.

    Raises:
        UsageError: a record that cannot be.
    """
    now.check()
    remarks: list[str] = []
    oddities = [*_breathing(now), *_gill(now, normal, remarks), *_behaviour(now, normal, remarks)]
    worst = max((o.advice for o in oddities), key=lambda a: a.rank, default=Advice.USUAL)
    if len(oddities) >= 2 and worst is Advice.WATCH:
        worst = Advice.TEST_WATER
    lasting = before is not None and before.advice.rank >= Advice.TEST_WATER.rank
    if worst is Advice.TEST_WATER and water_is_fine and lasting:
        worst = Advice.SHOW
    elif worst is Advice.SHOW and water_is_fine and before is not None and before.advice.rank >= worst.rank:
        worst = Advice.VETERINARIAN
    return ObservationJudgement(
        advice=worst,
        oddities=tuple(oddities),
        likely=tuple(circumstances) if oddities else (),
        steps=_steps(now, worst, bool(circumstances), water_is_fine),
        remarks=tuple(remarks),
        caution=(cautions.FISH, cautions.WATCH_ONLY) if oddities else (cautions.WATCH_ONLY,),
    )


def _middle(values: Sequence[float]) -> tuple[float, float] | None:
    if len(values) < LEAST_RECORDS:
        return None
    centre = median(values)
    return centre, MAD_TO_SIGMA * median([abs(value - centre) for value in values])


def _breathing(now: Observation) -> list[Oddity]:
    if now.breathing is Breathing.AT_SURFACE:
        return [Oddity("fish breathe at the surface", Advice.VETERINARIAN if now.erratic else Advice.SHOW)]
    if now.breathing is Breathing.LABOURED:
        return [Oddity("breathing is laboured", Advice.VETERINARIAN if now.erratic else Advice.TEST_WATER)]
    if now.breathing is Breathing.FAST:
        return [Oddity("breathing is fast", Advice.TEST_WATER)]
    return []


def _gill(now: Observation, normal: OwnNormal, remarks: list[str]) -> list[Oddity]:
    if now.gill is None:
        return []
    if normal.gill is None:
        remarks.append(f"no gill-beat normal yet: count on {LEAST_RECORDS} quiet days first")
        return []
    comparison = compare(now.gill, normal.gill)
    if comparison.verdict is GillVerdict.AS_USUAL:
        remarks.append(comparison.sentence)
        return []
    return [Oddity(comparison.sentence, Advice.TEST_WATER)]


def _behaviour(now: Observation, normal: OwnNormal, remarks: list[str]) -> list[Oddity]:
    oddities: list[Oddity] = []
    share = now.hiding_share
    if share is not None and share > 0.0:
        if now.has_newcomers:
            remarks.append("newcomers may hide for days: not alarming by itself")
        elif normal.hiding_share is None:
            remarks.append(f"no normal for hiding yet: {normal.records} of {LEAST_RECORDS} records")
        elif share > normal.hiding_share[0] + max(0.2, 3.0 * normal.hiding_share[1]):
            text = f"{100 * share:.0f} % hide, usually {100 * normal.hiding_share[0]:.0f} % do"
            oddities.append(Oddity(text, Advice.WATCH))
    if now.chasing and now.calm_down_min is not None:
        usual = normal.calm_down_min
        if usual is None:
            remarks.append(f"chasing calmed down after {now.calm_down_min:g} min")
        elif now.calm_down_min > usual[0] + max(5.0, 3.0 * usual[1]):
            oddities.append(
                Oddity(
                    f"chasing took {now.calm_down_min:g} min to calm down, usually {usual[0]:g}", Advice.WATCH
                )
            )
    elif now.chasing:
        oddities.append(Oddity("chasing has not calmed down", Advice.WATCH))
    if now.erratic:
        oddities.append(Oddity("fish swim erratically", Advice.SHOW))
    if now.feeding is FeedingResponse.NONE:
        oddities.append(Oddity("no feed was taken", Advice.WATCH if now.has_newcomers else Advice.TEST_WATER))
    elif now.feeding is FeedingResponse.SOME:
        oddities.append(Oddity("only some feed was taken", Advice.WATCH))
    return oddities


def _steps(
    now: Observation, advice: Advice, has_circumstances: bool, water_is_fine: bool | None
) -> tuple[str, ...]:
    steps: list[str] = []
    if advice is Advice.USUAL:
        return ()
    if now.breathing in (Breathing.AT_SURFACE, Breathing.LABOURED):
        steps.append("aerate now; check temperature, filter and air pump")
    if has_circumstances:
        steps.append("look first at what the sensors saw in the hours before")
    if advice is Advice.WATCH:
        steps.append("look again in a few hours, and count gill beats")
        return tuple(steps)
    if water_is_fine is None:
        steps.append("test ammonia, nitrite and pH before anything else")
    elif not water_is_fine:
        steps.append("the water is not fine: do what the water test says first")
    if advice in (Advice.SHOW, Advice.VETERINARIAN):
        steps.append("take a video, and a sample of the water in a clean closed bottle")
        steps.append(advice.value)
    return tuple(steps)
