"""Conditioning new water: the dose, what it leaves behind, and what skipping it would mean."""

from dataclasses import dataclass
from enum import StrEnum

from tankwatch.care import cautions
from tankwatch.care.plan import Plan, Step, percent, sensible_input
from tankwatch.physics.ammonia import HUSBANDRY_LIMIT_NH3_MG_PER_L, un_ionised_mg_n_per_l
from tankwatch.physics.chlorine import (
    DOSING_AGENTS,
    EPA_ACUTE_CHLORINE_MG_PER_L,
    EPA_CHRONIC_CHLORINE_MG_PER_L,
    US_MAXIMUM_CL2_MG_PER_L,
    Agent,
    ammonia_released_mg_n_per_l,
    chloramine_as_cl2_mg_per_l,
)
from tankwatch.physics.guard import between, not_negative, positive
from tankwatch.physics.nitrogen import NitrogenUnit, from_nitrogen_mg_per_l


class Disinfectant(StrEnum):
    """What the supplier doses; it varies by day, so a plan takes the worse of what may come."""

    CHLORINE = "chlorine"
    CHLORAMINE = "chloramine"


@dataclass(frozen=True, slots=True)
class TapWater:
    """The supplier's water at its worst: the highest level it may dose, counted as Cl2.

    The default is the US maximum residual level, 4.0 mg/L as Cl2 (40 CFR 141.65), as chloramine.
    """

    disinfectant: Disinfectant = Disinfectant.CHLORAMINE
    most_as_cl2_mg_per_l: float = US_MAXIMUM_CL2_MG_PER_L

    @classmethod
    @sensible_input()
    def of_chloramine_as_nh2cl(cls, most_as_nh2cl_mg_per_l: float) -> "TapWater":
        """Return tap water whose chloramine the supplier counts as NH2Cl.

        Raises:
            UsageError: the level is negative or not a number.
        """
        return cls(Disinfectant.CHLORAMINE, chloramine_as_cl2_mg_per_l(most_as_nh2cl_mg_per_l))

    def check(self) -> None:
        """Refuse a level that no supplier doses.

        Raises:
            ValueError: outside 0..20 mg/L.
        """
        between("highest chlorine as Cl2 in mg/L", self.most_as_cl2_mg_per_l, 0.0, 20.0)


@dataclass(frozen=True, slots=True)
class LabelDose:
    """A dose by the label of a bottle: `dose_ml` for every `per_l` litres of water."""

    dose_ml: float
    per_l: float
    treats_as_cl2_mg_per_l: float | None = None
    """Chlorine that this dose neutralises, where the label says so."""
    maximum_ml_per_l: float | None = None
    """Most that the label allows in the tank in one day, mL per litre of tank."""

    @property
    def ml_per_l(self) -> float:
        """Dose in mL for each litre."""
        return self.dose_ml / self.per_l

    def times_for(self, tap: TapWater) -> float:
        """Return how many label doses this tap water needs: 1, or more by what the label says one treats."""
        if self.treats_as_cl2_mg_per_l is None:
            return 1.0
        return max(1.0, tap.most_as_cl2_mg_per_l / self.treats_as_cl2_mg_per_l)

    def check(self) -> None:
        """Refuse a label that makes no sense.

        Raises:
            ValueError: a number is not above 0.
        """
        positive("label dose in mL", self.dose_ml)
        positive("litres that the label dose is for", self.per_l)
        if self.treats_as_cl2_mg_per_l is not None:
            positive("chlorine that the label dose treats in mg/L", self.treats_as_cl2_mg_per_l)
        if self.maximum_ml_per_l is not None:
            positive("label maximum in mL per L", self.maximum_ml_per_l)


@dataclass(frozen=True, slots=True)
class ChemicalDose:
    """A dose of a plain chemical by its reaction, as powder or as a solution made by weight."""

    agent: Agent
    purity: float = 1.0
    """Share of the powder that is the chemical."""
    solution_g_per_l: float | None = None
    """Grams of powder in one litre of stock solution; None doses the powder itself."""

    @classmethod
    def named(cls, key: str, purity: float = 1.0, solution_g_per_l: float | None = None) -> "ChemicalDose":
        """Return the dose of the chemical with this key.

        Raises:
            UsageError: no such chemical.
        """
        if key not in DOSING_AGENTS:
            with sensible_input():
                raise ValueError(
                    f"unknown chemical {key!r}; expected one of: {', '.join(sorted(DOSING_AGENTS))}"
                )
        return cls(DOSING_AGENTS[key], purity, solution_g_per_l)

    def powder_mg_per_l(self, tap: TapWater) -> float:
        """Return powder for each litre of this tap water, mg."""
        return self.agent.dose_mg_per_mg_cl2 * tap.most_as_cl2_mg_per_l / self.purity

    def check(self) -> None:
        """Refuse a purity or a strength that makes no sense.

        Raises:
            ValueError: so.
        """
        if not 0.0 < self.purity <= 1.0:
            raise ValueError(f"purity as a share must be above 0 and at most 1, got {self.purity:g}")
        if self.solution_g_per_l is not None:
            between("stock solution in g/L", self.solution_g_per_l, 0.1, 1000.0)


Conditioner = LabelDose | ChemicalDose


@dataclass(frozen=True, slots=True)
class Dose:
    """An amount of conditioner: exactly one of the two is set."""

    ml: float | None = None
    powder_mg: float | None = None

    def __str__(self) -> str:
        """Return the amount for people."""
        if self.ml is not None:
            return f"{self.ml:.3g} mL"
        powder_mg = self.powder_mg or 0.0
        return f"{powder_mg / 1000:.3g} g" if powder_mg >= 1000 else f"{powder_mg:.3g} mg"


def dose_for(conditioner: Conditioner, treated_l: float, tap: TapWater) -> Dose:
    """Return what treats `treated_l` litres of this tap water."""
    if isinstance(conditioner, LabelDose):
        return Dose(ml=conditioner.ml_per_l * treated_l * conditioner.times_for(tap))
    powder_mg = conditioner.powder_mg_per_l(tap) * treated_l
    if conditioner.solution_g_per_l is None:
        return Dose(powder_mg=powder_mg)
    return Dose(ml=powder_mg / conditioner.solution_g_per_l)


def label_maximum_ml(conditioner: Conditioner, tank_l: float) -> float | None:
    """Return the most that the label allows in this tank in a day, mL; None where it does not say."""
    if isinstance(conditioner, LabelDose) and conditioner.maximum_ml_per_l is not None:
        return conditioner.maximum_ml_per_l * tank_l
    return None


@dataclass(frozen=True, slots=True)
class Untreated:
    """What fish would meet if the dose were skipped: concentrations in the mixed tank."""

    as_cl2_mg_per_l: float
    times_acute: float
    """As a multiple of the one-hour criterion of US EPA 440/5-84-030."""
    times_chronic: float

    def __str__(self) -> str:
        """Return the risk for people."""
        return (
            f"without it fish would meet {self.as_cl2_mg_per_l:.2g} mg/L of chlorine, "
            f"{self.times_acute:.0f} times the one-hour criterion and "
            f"{self.times_chronic:.0f} times the four-day criterion"
        )


@dataclass(frozen=True, slots=True)
class FreedAmmonia:
    """Ammonia that neutralised chloramine leaves in the mixed tank."""

    tan_mg_n_per_l: float
    nh3_mg_per_l: float
    """Un-ionised, as NH3, at the tank's pH and temperature."""


def untreated_risk(tap: TapWater, share: float) -> Untreated:
    """Return what `share` of untreated tap water would do in the mixed tank."""
    level = tap.most_as_cl2_mg_per_l * share
    return Untreated(level, level / EPA_ACUTE_CHLORINE_MG_PER_L, level / EPA_CHRONIC_CHLORINE_MG_PER_L)


def freed_ammonia(tap: TapWater, share: float, ph: float, temperature_c: float) -> FreedAmmonia:
    """Return the ammonia that treating `share` of this tap water leaves in the tank; none from chlorine."""
    as_cl2 = tap.most_as_cl2_mg_per_l if tap.disinfectant is Disinfectant.CHLORAMINE else 0.0
    tan = ammonia_released_mg_n_per_l(as_cl2) * share
    nh3_n = un_ionised_mg_n_per_l(tan, ph, temperature_c)
    return FreedAmmonia(tan, from_nitrogen_mg_per_l(nh3_n, NitrogenUnit.NH3))


@dataclass(frozen=True, slots=True, kw_only=True)
class DosePlan(Plan):
    """One dose of conditioner."""

    treated_l: float
    """Litres that the dose is reckoned for: the bucket, or the whole tank."""
    dose: Dose
    """What to give; zero where the label's maximum forbids it."""
    within_label: bool
    running_total_ml: float | None
    """Given today with this dose, mL."""
    label_maximum_ml: float | None
    untreated: Untreated
    freed: FreedAmmonia


@sensible_input()
def plan_dose(
    *,
    conditioner: Conditioner,
    tank_l: float,
    new_l: float,
    direct: bool,
    tap: TapWater | None = None,
    ph: float = 8.0,
    temperature_c: float = 25.0,
    given_today_ml: float = 0.0,
) -> DosePlan:
    """Plan the dose for `new_l` litres, in a bucket, or for the whole tank where it is filled directly.

    pH and temperature are the tank's; the default pH is on the side of more un-ionised ammonia.

    Raises:
        UsageError: more new water than tank, a number negative or not a number, or a pH outside 0..14.
    """
    tap = tap or TapWater()
    tap.check()
    conditioner.check()
    positive("tank volume in litres", tank_l)
    between("new water in litres", new_l, 0.0, tank_l)
    not_negative("given today in mL", given_today_ml)
    between("pH", ph, 0.0, 14.0)
    treated_l = tank_l if direct else new_l
    wanted = dose_for(conditioner, treated_l, tap)
    maximum_ml = label_maximum_ml(conditioner, tank_l)
    total_ml = None if wanted.ml is None else given_today_ml + wanted.ml
    within = maximum_ml is None or total_ml is None or total_ml <= maximum_ml * (1 + 1e-9)
    share = new_l / tank_l
    risk = untreated_risk(tap, share)
    freed = freed_ammonia(tap, share, ph, temperature_c)
    place = "tank before the new water runs in" if direct else "bucket before it is poured"
    warnings = []
    if within:
        advice = [f"give {wanted} to the {place}, for {treated_l:g} L", str(risk)]
    else:
        wanted = Dose(ml=0.0)
        total_ml = given_today_ml
        advice = ["do not dose and do not fill today: change less water, or treat it in a bucket", str(risk)]
        warnings.append(f"the label allows {maximum_ml:.3g} mL a day in this tank; this would go beyond it")
    if freed.nh3_mg_per_l > HUSBANDRY_LIMIT_NH3_MG_PER_L:
        warnings.append(
            f"chloramine leaves {freed.tan_mg_n_per_l:.2f} mg/L of ammonia (as N), "
            f"{freed.nh3_mg_per_l:.3f} mg/L of it un-ionised: above {HUSBANDRY_LIMIT_NH3_MG_PER_L:g}. "
            "Change less at once, test the next day"
        )
    working = [
        _dose_step(conditioner, treated_l, tap),
        Step(f"{tap.most_as_cl2_mg_per_l:g} mg/L, {percent(share)} of the tank", "dilution", str(risk)),
        Step(
            f"{tap.most_as_cl2_mg_per_l:g} mg/L {tap.disinfectant} as Cl2, {percent(share)}, pH {ph:g}, "
            f"{temperature_c:g} °C",
            "1 mol N per mol Cl2; Emerson et al. 1975",
            f"{freed.tan_mg_n_per_l:.3f} mg N/L, {freed.nh3_mg_per_l:.4f} mg/L NH3",
        ),
    ]
    return DosePlan(
        title=f"Conditioner for {new_l:g} L of new water in a tank of {tank_l:g} L",
        advice=tuple(advice),
        inputs=(
            ("tank", f"{tank_l:g} L"),
            ("new water", f"{new_l:g} L, {'run straight into the tank' if direct else 'in a bucket'}"),
            ("tap", f"{tap.disinfectant}, up to {tap.most_as_cl2_mg_per_l:g} mg/L as Cl2"),
            ("pH and temperature", f"{ph:g}, {temperature_c:g} °C"),
            ("given today", f"{given_today_ml:g} mL"),
        ),
        assumptions=assumptions_of(conditioner, tap),
        working=tuple(working),
        warnings=tuple(warnings),
        caution=(*cautions_of(conditioner), cautions.MAINS, cautions.WATCH_ONLY),
        treated_l=treated_l,
        dose=wanted,
        within_label=within,
        running_total_ml=total_ml,
        label_maximum_ml=maximum_ml,
        untreated=risk,
        freed=freed,
    )


def assumptions_of(conditioner: Conditioner, tap: TapWater) -> tuple[str, ...]:
    """Return what a dose of this conditioner rests on, as sentences."""
    lines = [
        "the supplier may dose its highest level on any day, so the plan treats that; ask for its figures",
    ]
    if isinstance(conditioner, ChemicalDose):
        lines.append(
            f"{conditioner.agent.name} by {conditioner.agent.reaction}, "
            f"{conditioner.agent.dose_mg_per_mg_cl2:.3g} mg per mg Cl2"
        )
    elif conditioner.treats_as_cl2_mg_per_l is None:
        lines.append("the label's dose is enough for your tap water: check what the label says it treats")
    if isinstance(conditioner, LabelDose) and conditioner.maximum_ml_per_l is None:
        lines.append("the label's maximum is not given, so the running total is not judged")
    if tap.disinfectant is Disinfectant.CHLORAMINE:
        lines.append("the ammonia of chloramine stays in the water unless the label says that it is bound")
    return tuple(lines)


def cautions_of(conditioner: Conditioner) -> tuple[str, ...]:
    """Return the cautions of handling this conditioner."""
    if isinstance(conditioner, ChemicalDose) and "sulfite" in conditioner.agent.key:
        return (cautions.DOSE, cautions.SULFITES)
    return (cautions.DOSE,)


def _dose_step(conditioner: Conditioner, treated_l: float, tap: TapWater) -> Step:
    dose = dose_for(conditioner, treated_l, tap)
    if isinstance(conditioner, LabelDose):
        times = conditioner.times_for(tap)
        given = f"{treated_l:g} L, {conditioner.dose_ml:g} mL per {conditioner.per_l:g} L"
        return Step(
            f"{given}, {times:.3g} times" if times != 1.0 else given, "label dose x litres", str(dose)
        )
    return Step(
        f"{treated_l:g} L, {tap.most_as_cl2_mg_per_l:g} mg/L as Cl2, "
        f"{conditioner.agent.dose_mg_per_mg_cl2:.3g} mg/mg, purity {conditioner.purity:g}",
        "litres x chlorine x mg per mg",
        str(dose),
    )
