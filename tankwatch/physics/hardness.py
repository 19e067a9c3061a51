"""Units of hardness and alkalinity."""

from tankwatch.physics.guard import not_negative

_CAO_G_PER_MOL = 40.078 + 15.999
_CACO3_G_PER_MOL = 40.078 + 12.011 + 3 * 15.999

CACO3_MG_PER_L_PER_DEGREE = 10.0 * _CACO3_G_PER_MOL / _CAO_G_PER_MOL
"""One German degree is 10 mg/L CaO (definition): 17.85 mg/L CaCO3. For general and carbonate hardness."""
CACO3_MG_PER_MEQ = _CACO3_G_PER_MOL / 2
"""Milligrams of CaCO3 in one milliequivalent of alkalinity (IUPAC atomic weights)."""


def caco3_mg_per_l_from_degrees(degrees: float) -> float:
    """Return hardness or alkalinity in German degrees as mg/L CaCO3.

    Raises:
        ValueError: negative or not a number.
    """
    return not_negative("hardness in degrees", degrees) * CACO3_MG_PER_L_PER_DEGREE


def caco3_mg_per_l_from_mmol_per_l(mmol_per_l: float) -> float:
    """Return hardness in mmol/L of calcium and magnesium as mg/L CaCO3.

    Raises:
        ValueError: negative or not a number.
    """
    return not_negative("hardness in mmol/L", mmol_per_l) * _CACO3_G_PER_MOL
