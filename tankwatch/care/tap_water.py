"""Tap water at its worst, what it would do untreated, and the ammonia that treating it frees."""

from dataclasses import dataclass
from enum import StrEnum

from tankwatch.care.plan import sensible_input
from tankwatch.physics.ammonia import un_ionised_mg_n_per_l
from tankwatch.physics.chlorine import (
    EPA_ACUTE_CHLORINE_MG_PER_L,
    EPA_CHRONIC_CHLORINE_MG_PER_L,
    US_MAXIMUM_CL2_MG_PER_L,
    ammonia_released_mg_n_per_l,
    chloramine_as_cl2_mg_per_l,
)
from tankwatch.physics.guard import between
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
