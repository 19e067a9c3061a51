"""The filter: ammonia that the feed makes, what the media turn over, and what is spare."""

from dataclasses import dataclass

from tankwatch.care import cautions
from tankwatch.care.plan import Plan, Step, percent, sensible_input
from tankwatch.physics.guard import between, not_negative, positive
from tankwatch.physics.nitrification import (
    ALKALINITY_G_CACO3_PER_G_N,
    OXYGEN_G_PER_G_N,
    areal_rate_range_g_per_m2_day,
    careful_rate_g_per_m2_day,
    media_area_m2,
    tan_g_per_day,
)

DEFAULT_PROTEIN_SHARE = 0.45
"""Protein of dry flake or granule feed; the packet says it (common practice, no published source)."""
RIPENING_WEEKS = 6.0
"""Weeks in which a new filter ripens at tank warmth (common practice, no published source: 4 to 6)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterPlan(Plan):
    """Load and capacity of a filter; capacities are (careful, high design rate)."""

    load_g_tan_per_day: float
    capacity_g_tan_per_day: tuple[float, float]
    spare_share: float
    """Part of the low capacity that is unused; negative where the load is larger."""
    area_needed_m2: float
    """Media for the load at the low rate."""
    oxygen_g_per_day: float
    alkalinity_mg_caco3_per_l_day: float
    """Alkalinity that nitrification takes out of the tank each day."""
    tan_rise_mg_per_l_day: float
    """How fast ammonia would rise with no filter at all, mg N/L a day."""
    nitrate_rise_mg_n_per_l_day: float
    days_of_alkalinity: float | None
    """Days until alkalinity is used up without changes of water; None where it was not given."""


@sensible_input()
def plan_filter(
    *,
    volume_l: float,
    feed_g_per_day: float,
    temperature_c: float,
    media_m2: float,
    protein_share: float = DEFAULT_PROTEIN_SHARE,
    age_weeks: float | None = None,
    alkalinity_mg_caco3_per_l: float | None = None,
    more_media_m2: float = 0.0,
    more_feed_g_per_day: float = 0.0,
) -> FilterPlan:
    """Plan the filter for a daily feed; `more_…` asks what another filter or more fish would change.

    `media_m2` is the surface of the media (the packet gives m² per litre). Media younger than
    `RIPENING_WEEKS` count in proportion; none takes the filter as ripe.

    Raises:
        UsageError: the volume is not above 0, a share not within 0..1, or a number is negative.
    """
    positive("tank volume in litres", volume_l)
    not_negative("media surface in m²", media_m2)
    not_negative("further media in m²", more_media_m2)
    not_negative("further feed in g/day", more_feed_g_per_day)
    ripe = 1.0 if age_weeks is None else min(1.0, not_negative("age in weeks", age_weeks) / RIPENING_WEEKS)
    feed_g = not_negative("feed in g/day", feed_g_per_day) + more_feed_g_per_day
    load = tan_g_per_day(feed_g, protein_share)
    rates = (careful_rate_g_per_m2_day(temperature_c), areal_rate_range_g_per_m2_day(temperature_c)[1])
    area = (media_m2 + more_media_m2) * ripe
    capacity = (rates[0] * area, rates[1] * area)
    spare = 1.0 - load / capacity[0] if capacity[0] > 0.0 else (0.0 if load == 0.0 else -1.0)
    rise = load * 1000.0 / volume_l
    alkalinity_use = rise * ALKALINITY_G_CACO3_PER_G_N
    days = None
    if alkalinity_mg_caco3_per_l is not None:
        between("alkalinity in mg/L CaCO3", alkalinity_mg_caco3_per_l, 0.0, 2000.0)
        days = alkalinity_mg_caco3_per_l / alkalinity_use if alkalinity_use > 0.0 else float("inf")
    warnings = []
    if load > capacity[1]:
        warnings.append(f"the load is beyond what this media can do: ammonia may rise {rise:.2f} mg/L a day")
    elif load > capacity[0]:
        warnings.append("the load lies between the low and the high rate: test ammonia and nitrite often")
    if days is not None and days < 14.0:
        warnings.append(
            f"nitrification uses up the alkalinity in {days:.0f} days: the pH will fall, change water in time"
        )
    advice = [
        f"{load * 1000:.0f} mg of ammonia (as N) a day against {capacity[0] * 1000:.0f} to "
        f"{capacity[1] * 1000:.0f} mg that the media turn over: {_spare(spare)}",
        f"the load needs {media_area_m2(load, rates[0]):.2f} m² of ripe media",
        f"used each day: {load * OXYGEN_G_PER_G_N:.2f} g of oxygen, "
        f"{alkalinity_use:.1f} mg/L CaCO3 of alkalinity",
    ]
    if ripe < 1.0:
        advice.append(
            "a new filter: few fish, little feed, test ammonia and nitrite every second day; "
            "run it beside the old one, or start it with old media"
        )
    return FilterPlan(
        title=f"Filter for {feed_g:g} g of feed a day in {volume_l:g} L at {temperature_c:g} °C",
        advice=tuple(advice),
        inputs=(
            ("feed", f"{feed_g:g} g a day, {percent(protein_share)} protein"),
            (
                "media",
                f"{media_m2 + more_media_m2:g} m², "
                + ("ripe" if ripe == 1.0 else f"{age_weeks:g} weeks old"),
            ),
            ("tank", f"{volume_l:g} L at {temperature_c:g} °C"),
        ),
        assumptions=(
            "all feed is eaten; 0.092 of its protein becomes ammonia nitrogen (Timmons and Ebeling)",
            "low rate: the design rate of cool water, at most the load of a printed test; high rate: warm "
            "design rate (handbook values from memory); aquarium media vary, tests decide",
            "gravel, plants and glass also turn over ammonia and are left out",
        ),
        working=(
            Step(
                f"{feed_g:g} g, {percent(protein_share)}",
                "feed x protein x 0.092",
                f"{load * 1000:.1f} mg N/day",
            ),
            Step(
                f"{area:.2f} m² ripe, {rates[0]:.2f} to {rates[1]:.2f} g/m² day",
                "area x rate",
                f"{capacity[0] * 1000:.0f} to {capacity[1] * 1000:.0f} mg N/day",
            ),
            Step(f"{load * 1000:.1f} mg N", "4.57 g O2 per g N", f"{load * OXYGEN_G_PER_G_N:.2f} g O2/day"),
            Step(
                f"{load * 1000:.1f} mg N in {volume_l:g} L",
                "7.14 g CaCO3 per g N",
                f"{alkalinity_use:.2f} mg/L a day",
            ),
        ),
        warnings=tuple(warnings),
        caution=(cautions.FILTER, cautions.MAINS, cautions.WATCH_ONLY),
        load_g_tan_per_day=load,
        capacity_g_tan_per_day=capacity,
        spare_share=spare,
        area_needed_m2=media_area_m2(load, rates[0]),
        oxygen_g_per_day=load * OXYGEN_G_PER_G_N,
        alkalinity_mg_caco3_per_l_day=alkalinity_use,
        tan_rise_mg_per_l_day=rise,
        nitrate_rise_mg_n_per_l_day=rise,
        days_of_alkalinity=days,
    )


def _spare(spare: float) -> str:
    return f"{percent(spare)} spare" if spare >= 0.0 else "nothing spare"
