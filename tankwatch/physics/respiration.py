"""How breathing follows temperature: the Q10 law."""

from tankwatch.physics.guard import between, finite, positive

GILL_BEAT_Q10 = (1.75, 2.47)
"""Q10 of respiratory frequency, 10 to 30 °C, lowest and highest (respiratory response of grass carp to
temperature changes, abstract). Other species differ."""


def q10_of(rate_1: float, at_1_c: float, rate_2: float, at_2_c: float) -> float:
    """Return Q10 = (R2/R1)^(10/(T2-T1)), the factor by which a rate grows over 10 K.

    Raises:
        ValueError: a rate is not above 0, or the temperatures are equal or not numbers.
    """
    positive("first rate", rate_1)
    positive("second rate", rate_2)
    step_k = finite("second temperature in °C", at_2_c) - finite("first temperature in °C", at_1_c)
    if step_k == 0.0:
        raise ValueError("the two temperatures must differ")
    return float((rate_2 / rate_1) ** (10.0 / step_k))


def rate_at(rate: float, measured_at_c: float, wanted_at_c: float, q10: float) -> float:
    """Return `rate` as it would be at another temperature, by the Q10 law, in the same unit.

    Raises:
        ValueError: the rate or Q10 is not above 0, or a temperature is outside 0..45 °C.
    """
    positive("rate", rate)
    positive("Q10", q10)
    between("temperature in °C", measured_at_c, 0.0, 45.0)
    between("temperature in °C", wanted_at_c, 0.0, 45.0)
    return float(rate * q10 ** ((wanted_at_c - measured_at_c) / 10.0))
