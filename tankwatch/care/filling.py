"""Filling the tank straight from the tap, in lifts: conditioner first, a few centimetres, wait, again."""

import math
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
from tankwatch.care.plan import Plan, Step, sensible_input
from tankwatch.care.tap_water import FreedAmmonia, TapWater, Untreated, freed_ammonia, untreated_risk
from tankwatch.physics.guard import between, not_negative, positive
from tankwatch.physics.thermal import mixed_temperature_c

DEFAULT_LIFT_CM = 5.0
"""Height of one lift (common practice, no published source)."""


@dataclass(frozen=True, slots=True)
class Lift:
    """One step of the filling: first the dose, then the water."""

    number: int
    dose: Dose
    """Given to the tank before the water runs in."""
    litres: float
    raise_cm: float
    filled_l: float
    """New water in the tank after this lift."""
    total_dose: Dose
    """All conditioner given today after this lift."""
    water_c: float | None
    """Temperature after this lift; None where the temperatures were not given."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FillPlan(Plan):
    """A filling in lifts."""

    lift_l: float
    """Litres of a full lift."""
    lifts: tuple[Lift, ...]
    planned_l: float
    """Litres that may be filled under the label's maximum."""
    asked_l: float
    label_maximum_ml: float | None
    untreated: Untreated
    freed: FreedAmmonia


@sensible_input()
def plan_fill(
    *,
    conditioner: Conditioner,
    tank_l: float,
    fill_l: float,
    footprint_cm2: float,
    lift_cm: float = DEFAULT_LIFT_CM,
    tap: TapWater | None = None,
    given_today_ml: float = 0.0,
    ph: float = 8.0,
    water_c: float | None = None,
    new_water_c: float | None = None,
    limit_k: float = 1.5,
) -> FillPlan:
    """Plan the filling of `fill_l` litres straight from the tap.

    Before each lift a label's dose for the whole tank is given. A plain chemical is given for the whole tank
    before the first lift and for its own litres before each further one: more would help nothing, and too
    much sulfite takes oxygen. Lifts end where the next dose would pass the label's maximum, or the next water
    would move the tank by more than `limit_k`. No lift is planned without its dose. `tank_l` is a full tank.

    Raises:
        UsageError: more water than the tank holds, a size that is not above 0, or a number that is not one.
    """
    tap = tap or TapWater()
    tap.check()
    conditioner.check()
    positive("tank volume in litres", tank_l)
    between("water to fill in litres", fill_l, 0.0, tank_l)
    between("footprint in cm²", footprint_cm2, 1.0, 1e6)
    between("lift in cm", lift_cm, 0.5, 50.0)
    not_negative("given today in mL", given_today_ml)
    lift_l = footprint_cm2 * lift_cm / 1000.0
    positive("limit of change in K", limit_k)
    whole = dose_for(conditioner, tank_l, tap)
    maximum_ml = label_maximum_ml(conditioner, tank_l)
    lifts, end = _lifts(
        conditioner, tap, tank_l, fill_l, lift_l, lift_cm, given_today_ml, water_c, new_water_c, limit_k
    )
    which = "each lift" if isinstance(conditioner, LabelDose) else "the first lift"
    planned_l = lifts[-1].filled_l if lifts else 0.0
    risk = untreated_risk(tap, fill_l / tank_l)
    freed = freed_ammonia(tap, planned_l / tank_l, ph, 25.0 if water_c is None else water_c)
    warnings = []
    if planned_l < fill_l - 1e-9:
        warnings.append(
            f"{end}: stop after {planned_l:.1f} of {fill_l:g} L; "
            "the heater stays off while it is above the water"
        )
    advice = [
        f"lift {lift.number}: give {lift.dose}, let it mix through the tank, "
        f"then run in {lift.litres:.1f} L (level up {lift.raise_cm:.1f} cm)"
        + ("" if lift.water_c is None else f"; the tank then has {lift.water_c:.2f} °C")
        for lift in lifts
    ]
    advice.append(str(risk))
    return FillPlan(
        title=f"Filling {fill_l:g} L straight into a tank of {tank_l:g} L",
        advice=tuple(advice),
        inputs=(
            ("tank", f"{tank_l:g} L, footprint {footprint_cm2:g} cm²"),
            ("to fill", f"{fill_l:g} L in lifts of {lift_cm:g} cm"),
            ("tap", f"{tap.disinfectant}, up to {tap.most_as_cl2_mg_per_l:g} mg/L as Cl2"),
            ("given today", f"{given_today_ml:g} mL"),
        ),
        assumptions=(
            *assumptions_of(conditioner, tap),
            "straight walls; decoration makes a lift rise a little more",
            "each dose mixes through the tank before the water runs in: filter and air on, heater off",
        ),
        working=(
            Step(f"{footprint_cm2:g} cm² x {lift_cm:g} cm", "area x height", f"{lift_l:.2f} L a lift"),
            Step(
                f"{fill_l:g} L / {lift_l:.2f} L", "rounded up", f"{math.ceil(fill_l / lift_l - 1e-9)} lifts"
            ),
            Step(f"{tank_l:g} L", "dose for the whole tank", f"{whole} before {which}"),
            Step(
                f"{len(lifts)} lifts, {given_today_ml:g} mL given before",
                "running total",
                str(lifts[-1].total_dose) if lifts else "nothing given",
            ),
        ),
        warnings=tuple(warnings),
        caution=(
            cautions.MAINS,
            cautions.HEATER_OUT_OF_WATER,
            *cautions_of(conditioner),
            cautions.WATCH_ONLY,
        ),
        lift_l=lift_l,
        lifts=lifts,
        planned_l=planned_l,
        asked_l=fill_l,
        label_maximum_ml=maximum_ml,
        untreated=risk,
        freed=freed,
    )


def treated_l(conditioner: Conditioner, dose: Dose, tap: TapWater) -> float:
    """Return the litres of this tap water that a dose treats."""
    one_litre = dose_for(conditioner, 1.0, tap)
    if one_litre.ml is not None:
        return (dose.ml or 0.0) / one_litre.ml if one_litre.ml else math.inf
    return (dose.powder_mg or 0.0) / one_litre.powder_mg if one_litre.powder_mg else math.inf


def _lifts(
    conditioner: Conditioner,
    tap: TapWater,
    tank_l: float,
    fill_l: float,
    lift_l: float,
    lift_cm: float,
    given_today_ml: float,
    water_c: float | None,
    new_water_c: float | None,
    limit_k: float,
) -> tuple[tuple[Lift, ...], str]:
    """Return the lifts, and why they end before all water is in (empty where they do not)."""
    lifts: list[Lift] = []
    maximum_ml = label_maximum_ml(conditioner, tank_l)
    filled_l, total_ml, total_mg, temperature_c = 0.0, given_today_ml, 0.0, water_c
    while filled_l < fill_l - 1e-9:
        litres = min(lift_l, fill_l - filled_l)
        for_whole_tank = isinstance(conditioner, LabelDose) or not lifts
        dose = dose_for(conditioner, tank_l if for_whole_tank else litres, tap)
        total_ml += dose.ml or 0.0
        total_mg += dose.powder_mg or 0.0
        if maximum_ml is not None and total_ml > maximum_ml * (1 + 1e-9):
            return tuple(lifts), f"the label allows {maximum_ml:.3g} mL a day in this tank"
        if water_c is not None and temperature_c is not None and new_water_c is not None:
            held_l = tank_l - fill_l + filled_l
            temperature_c = mixed_temperature_c([held_l, litres], [temperature_c, new_water_c])
            if abs(temperature_c - water_c) > limit_k:
                return tuple(
                    lifts
                ), f"water of {new_water_c:g} °C would move the tank by more than {limit_k:g} K"
        filled_l += litres
        lifts.append(
            Lift(
                number=len(lifts) + 1,
                dose=dose,
                litres=litres,
                raise_cm=lift_cm * litres / lift_l,
                filled_l=filled_l,
                total_dose=Dose(powder_mg=total_mg) if dose.ml is None else Dose(ml=total_ml),
                water_c=temperature_c if new_water_c is not None else None,
            )
        )
    return tuple(lifts), ""
