"""Units that a channel takes, and the range outside which its value is absurd.

Symbols are those of SenML: RFC 8428 section 12.1, and the secondary units of RFC 8798 (kW, cm, mm, /100).
"%" is there a ratio of 0 to 1, as "/" is.
"""

from tankwatch.decode.refused import Reason, Refused
from tankwatch.reading import Channel

_CELSIUS = {None: (1.0, 0.0), "Cel": (1.0, 0.0), "K": (1.0, -273.15)}

UNITS: dict[Channel, dict[str | None, tuple[float, float]]] = {
    Channel.TEMPERATURE: _CELSIUS,
    Channel.AIR: _CELSIUS,
    Channel.POWER: {None: (1.0, 0.0), "W": (1.0, 0.0), "kW": (1000.0, 0.0)},
    Channel.HUMIDITY: {
        None: (1.0, 0.0), "%RH": (1.0, 0.0), "/100": (1.0, 0.0), "/": (100.0, 0.0), "%": (100.0, 0.0),
    },
    Channel.LEVEL: {None: (1.0, 0.0), "cm": (1.0, 0.0), "m": (100.0, 0.0), "mm": (0.1, 0.0)},
    Channel.FLOW: {None: (1.0, 0.0), "l/s": (3600.0, 0.0), "m3/s": (3.6e6, 0.0)},
    Channel.PH: {None: (1.0, 0.0), "pH": (1.0, 0.0)},
}  # fmt: skip
"""By channel and unit symbol: factor and summand that lead to the channel's own unit.

Without a symbol the number is taken to be in that unit already."""

ON_OFF_UNITS: frozenset[str | None] = frozenset({None, "/"})
"""Units of a heater or light that is told as 0 or 1; with `on_above` any unit will do (lx, W, A, V, …)."""

PLAUSIBLE: dict[Channel, tuple[float, float]] = {
    # Wide enough for the fault codes of 1-wire probes, 85 and -127: the watchdog tells those.
    Channel.TEMPERATURE: (-200.0, 200.0),
    Channel.AIR: (-200.0, 200.0),
    Channel.POWER: (-1_000.0, 100_000.0),  # clamp meters read a little below zero
    Channel.HUMIDITY: (-5.0, 110.0),  # capacitive sensors overshoot at both ends
    Channel.LEVEL: (-1_000.0, 1_000.0),
    Channel.FLOW: (-100.0, 1_000_000.0),
    Channel.PH: (-1.0, 15.0),
}
"""Lowest and highest value that is let in, in the channel's unit. Common practice, no published source."""


def to_channel_unit(channel: Channel, value: float, unit: str | None) -> float:
    """Return `value`, given in `unit`, in the unit of `channel`.

    Raises:
        Refused: the channel does not take that unit.
    """
    known = UNITS[channel]
    try:
        factor, summand = known[unit]
    except KeyError:
        takes = ", ".join(symbol for symbol in known if symbol)
        raise Refused(Reason.WRONG_UNIT, f"{channel} in {unit!r}; it takes {takes}") from None
    return value * factor + summand


def check_plausible(channel: Channel, value: float) -> None:
    """Refuse a `value` that nothing on `channel` can measure.

    Raises:
        Refused: it is out of range, or no number.
    """
    low, high = PLAUSIBLE[channel]
    if not low <= value <= high:
        raise Refused(Reason.ABSURD, f"{channel} of {value:g}; expected {low:g} to {high:g}")
