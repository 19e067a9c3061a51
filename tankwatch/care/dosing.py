"""One dose of conditioner: how much, what it leaves behind, and what skipping it would mean."""

from dataclasses import dataclass

from tankwatch.care import cautions
from tankwatch.care.conditioner import (
    Conditioner,
    Dose,
    LabelDose,
    assumptions_of,
    cautions_of,
    dose_for,
    label_maximum_ml,
)
from tankwatch.care.plan import Plan, Step, percent, sensible_input
from tankwatch.care.tap_water import FreedAmmonia, TapWater, Untreated, freed_ammonia, untreated_risk
from tankwatch.physics.ammonia import HUSBANDRY_LIMIT_NH3_MG_PER_L
from tankwatch.physics.guard import between, not_negative, positive


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
