"""One ammonia reading explained: the un-ionised part, and how it stands to the criteria of agencies."""

from dataclasses import dataclass

from tankwatch.care import cautions
from tankwatch.care.plan import Plan, Step, percent, sensible_input
from tankwatch.care.water_tests import Judgement, WaterTest, judge
from tankwatch.physics.ammonia import (
    EPA_FOUR_DAY_FACTOR,
    EU_LIMIT_NH3_MG_PER_L,
    HUSBANDRY_LIMIT_NH3_MG_PER_L,
    ammonium_pka,
    epa_acute_tan_mg_n_per_l,
    epa_chronic_tan_mg_n_per_l,
    un_ionised_share,
)
from tankwatch.physics.nitrogen import NitrogenUnit, as_nitrogen_mg_per_l, from_nitrogen_mg_per_l


@dataclass(frozen=True, slots=True)
class Criterion:
    """One published limit beside the reading."""

    name: str
    limit_mg_per_l: float
    reading_mg_per_l: float
    unit: str

    @property
    def exceeded(self) -> bool:
        """The reading is above the limit."""
        return self.reading_mg_per_l > self.limit_mg_per_l


@dataclass(frozen=True, slots=True, kw_only=True)
class AmmoniaPlan(Plan):
    """An ammonia reading against the published criteria."""

    tan_mg_n_per_l: float
    un_ionised_share: float
    nh3_mg_n_per_l: float
    nh3_mg_per_l: float
    criteria: tuple[Criterion, ...]
    judgement: Judgement


@sensible_input()
def plan_ammonia(
    *,
    ammonia_mg_per_l: float,
    ph: float,
    temperature_c: float,
    unit: NitrogenUnit = NitrogenUnit.N,
    salmonids: bool = False,
) -> AmmoniaPlan:
    """Explain a reading of total ammonia, counted as N, NH3 or NH4.

    Raises:
        UsageError: the reading is negative, the pH outside 0..14, the temperature outside 0..40 °C, or the
            unit is not one of ammonia.
    """
    test = WaterTest(temperature_c, ph, ammonia_mg_per_l, unit)
    judgement = judge(test)
    tan = as_nitrogen_mg_per_l(ammonia_mg_per_l, unit)
    share = un_ionised_share(ph, temperature_c)
    nh3_n = tan * share
    nh3 = from_nitrogen_mg_per_l(nh3_n, NitrogenUnit.NH3)
    acute = epa_acute_tan_mg_n_per_l(ph, temperature_c, salmonids)
    chronic = epa_chronic_tan_mg_n_per_l(ph, temperature_c)
    criteria = (
        Criterion("US EPA 2013, one hour", acute, tan, "mg/L total as N"),
        Criterion("US EPA 2013, four days", EPA_FOUR_DAY_FACTOR * chronic, tan, "mg/L total as N"),
        Criterion("US EPA 2013, thirty days", chronic, tan, "mg/L total as N"),
        Criterion("zebrafish husbandry table", HUSBANDRY_LIMIT_NH3_MG_PER_L, nh3, "mg/L NH3"),
        Criterion("directive 2006/44/EC (repealed; from memory)", EU_LIMIT_NH3_MG_PER_L, nh3, "mg/L NH3"),
    )
    return AmmoniaPlan(
        title=f"Ammonia {ammonia_mg_per_l:g} mg/L as {unit} at pH {ph:g} and {temperature_c:g} °C",
        advice=judgement.first or ("nothing to do: test again as usual",),
        inputs=(
            ("total ammonia", f"{ammonia_mg_per_l:g} mg/L as {unit}"),
            ("pH", f"{ph:g}"),
            ("water", f"{temperature_c:g} °C"),
        ),
        assumptions=("fresh water", "the criteria protect sensitive wild species; your fish may differ"),
        working=(
            Step(f"{ammonia_mg_per_l:g} mg/L as {unit}", "molar masses", f"{tan:.3f} mg N/L"),
            Step(
                f"{temperature_c:g} °C", "pKa = 0.09018 + 2729.92 / T", f"{ammonium_pka(temperature_c):.4f}"
            ),
            Step(f"pH {ph:g}", "1 / (1 + 10^(pKa - pH))", f"{percent(share)} un-ionised"),
            Step(f"{tan:.3f} mg N/L", "total x share", f"{nh3_n:.4f} mg N/L, {nh3:.4f} mg/L NH3"),
            *(
                Step(
                    f"{c.reading_mg_per_l:.3g} {c.unit}",
                    c.name,
                    f"{'above' if c.exceeded else 'within'} {c.limit_mg_per_l:.3g}",
                )
                for c in criteria
            ),
        ),
        warnings=tuple(
            f"{f.quantity}: {f.reason} ({f.level})" for f in judgement.findings if f.level.rank >= 2
        ),
        caution=(cautions.TESTS, cautions.FISH, cautions.WATCH_ONLY),
        tan_mg_n_per_l=tan,
        un_ionised_share=share,
        nh3_mg_n_per_l=nh3_n,
        nh3_mg_per_l=nh3,
        criteria=criteria,
        judgement=judgement,
    )
