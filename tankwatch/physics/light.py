"""Amounts of light and hours of light."""

from tankwatch.physics.guard import between, not_negative

LUX_PER_FOOT_CANDLE = 10.763910416709722
"""One lumen per square foot, 1 / 0.3048² (definition of the foot)."""


def daily_light_integral_mol_per_m2(ppfd_umol_per_m2_s: float, hours: float) -> float:
    """Return the daily light integral, mol/(m² day): PPFD x 3600 x hours / 1e6 (definition).

    Raises:
        ValueError: the photon flux is negative, or the hours are outside 0..24.
    """
    flux = not_negative("photon flux in µmol/m² s", ppfd_umol_per_m2_s)
    return flux * 3600.0 * between("hours of light", hours, 0.0, 24.0) / 1e6


def lux_from_foot_candles(foot_candles: float) -> float:
    """Return an illuminance in lux.

    Raises:
        ValueError: negative or not a number.
    """
    return not_negative("illuminance in foot-candles", foot_candles) * LUX_PER_FOOT_CANDLE


def hours_between(on_h: float, off_h: float) -> float:
    """Return the hours from switching on to switching off, across midnight where off comes first.

    Times are hours of the day, 0..24. Equal times are refused: they could mean 0 or 24 hours.

    Raises:
        ValueError: a time is outside 0..24, or both are equal.
    """
    between("time of switching on in hours", on_h, 0.0, 24.0)
    between("time of switching off in hours", off_h, 0.0, 24.0)
    if on_h == off_h:
        raise ValueError(
            "light on and off at the same time may mean 0 or 24 hours; say 00:00 and 24:00 for a whole day"
        )
    return off_h - on_h if off_h > on_h else off_h - on_h + 24.0
