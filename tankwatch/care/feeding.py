"""Feed: how much the filter can bear, and how far to go down after bad tests."""

from dataclasses import dataclass

from tankwatch.care import cautions
from tankwatch.care.biofilter import DEFAULT_PROTEIN_SHARE
from tankwatch.care.plan import Plan, Step, percent, sensible_input
from tankwatch.care.water_tests import ResultLevel
from tankwatch.physics.guard import between, not_negative
from tankwatch.physics.nitrification import TAN_SHARE_OF_PROTEIN, careful_rate_g_per_m2_day

FEED_AFTER_TEST = {
    ResultLevel.FINE: 1.0,
    ResultLevel.WATCH: 1.0,
    ResultLevel.ACT_TODAY: 0.5,
    ResultLevel.ACT_NOW: 0.0,
}
"""Share of the usual feed after the worst ammonia or nitrite result (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedPlan(Plan):
    """Feed for one day, grams."""

    most_by_filter_g: float
    """What the ripe media turn over at the low published rate."""
    planned_g: float
    """Never above what the filter bears, nor above the usual feed."""


@sensible_input()
def plan_feed(
    *,
    usual_g_per_day: float,
    media_m2: float,
    temperature_c: float,
    protein_share: float = DEFAULT_PROTEIN_SHARE,
    worst_test: ResultLevel = ResultLevel.FINE,
) -> FeedPlan:
    """Plan the day's feed from the filter's low capacity and the last ammonia or nitrite test.

    Raises:
        UsageError: a number is negative, the protein not within 0.01..1, or the temperature outside 0..35 °C.
    """
    not_negative("usual feed in g/day", usual_g_per_day)
    not_negative("media surface in m²", media_m2)
    between("protein as a share", protein_share, 0.01, 1.0)
    rate = careful_rate_g_per_m2_day(temperature_c)
    most_g = rate * media_m2 / (protein_share * TAN_SHARE_OF_PROTEIN)
    planned_g = min(usual_g_per_day * FEED_AFTER_TEST[worst_test], most_g)
    warnings = []
    if most_g < usual_g_per_day:
        warnings.append(f"the usual {usual_g_per_day:g} g is more than the media surely turn over")
    if worst_test in (ResultLevel.ACT_TODAY, ResultLevel.ACT_NOW):
        warnings.append("less feed until ammonia and nitrite are down; healthy fish bear some days without")
    return FeedPlan(
        title=f"Feed for one day at {temperature_c:g} °C",
        advice=(
            f"give {planned_g:.2g} g today, in portions that are eaten within minutes; take out what is left",
        ),
        inputs=(
            ("usual", f"{usual_g_per_day:g} g a day, {percent(protein_share)} protein"),
            ("media", f"{media_m2:g} m² ripe"),
            ("last test", str(worst_test)),
        ),
        assumptions=(
            "a careful rate of ripe media: the cool design rate, at most the load of a printed test",
            "all feed is eaten",
        ),
        working=(
            Step(
                f"{media_m2:g} m², {rate:.2f} g/m² day, {percent(protein_share)} protein",
                "area x rate / (protein x 0.092)",
                f"{most_g:.2f} g a day",
            ),
        ),
        warnings=tuple(warnings),
        caution=(
            "Young, thin or sick fish need their own plan: ask a veterinarian or an experienced shop.",
            cautions.WATCH_ONLY,
        ),
        most_by_filter_g=most_g,
        planned_g=planned_g,
    )
