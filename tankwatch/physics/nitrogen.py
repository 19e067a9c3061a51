"""Units of ammonia, nitrite and nitrate: as nitrogen, or as the ion or molecule that a test kit prints."""

from enum import StrEnum

from tankwatch.physics.guard import not_negative

# IUPAC standard atomic weights, g/mol.
N_G_PER_MOL = 14.007
H_G_PER_MOL = 1.008
O_G_PER_MOL = 15.999


class NitrogenUnit(StrEnum):
    """What a concentration in mg/L is counted as."""

    N = "N"
    """As nitrogen."""
    NH3 = "NH3"
    NH4 = "NH4"
    NO2 = "NO2"
    NO3 = "NO3"


_G_PER_MOL = {
    NitrogenUnit.N: N_G_PER_MOL,
    NitrogenUnit.NH3: N_G_PER_MOL + 3 * H_G_PER_MOL,
    NitrogenUnit.NH4: N_G_PER_MOL + 4 * H_G_PER_MOL,
    NitrogenUnit.NO2: N_G_PER_MOL + 2 * O_G_PER_MOL,
    NitrogenUnit.NO3: N_G_PER_MOL + 3 * O_G_PER_MOL,
}


def mass_per_mass_n(unit: NitrogenUnit) -> float:
    """Return the mass of `unit` that holds 1 g of nitrogen, g/g (IUPAC atomic weights)."""
    return _G_PER_MOL[unit] / N_G_PER_MOL


def as_nitrogen_mg_per_l(mg_per_l: float, unit: NitrogenUnit) -> float:
    """Return a concentration counted as `unit` counted as nitrogen, mg N/L.

    Raises:
        ValueError: the concentration is negative or not a number.
    """
    return not_negative(f"concentration as {unit} in mg/L", mg_per_l) / mass_per_mass_n(unit)


def from_nitrogen_mg_per_l(mg_n_per_l: float, unit: NitrogenUnit) -> float:
    """Return a concentration counted as nitrogen counted as `unit`, mg/L.

    Raises:
        ValueError: the concentration is negative or not a number.
    """
    return not_negative("concentration as N in mg/L", mg_n_per_l) * mass_per_mass_n(unit)
