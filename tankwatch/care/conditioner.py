"""Conditioners: by the label of a bottle or as a plain chemical, and the amount for some water."""

from dataclasses import dataclass

from tankwatch.care import cautions
from tankwatch.care.plan import sensible_input
from tankwatch.care.tap_water import Disinfectant, TapWater
from tankwatch.physics.chlorine import DOSING_AGENTS, Agent
from tankwatch.physics.guard import between, positive


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
