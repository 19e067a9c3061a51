"""The heat-loss signature of a tank: its duty of whole days against the room, and the line through them.

In balance over a day `P·duty = K·(T − T_room) − g`, so at one setpoint the duty falls on a straight line as
the room grows warmer; its slope is the heat loss K over the heater's power P, and the gains g only shift it.
The same regression of heating on the temperature around is known for buildings as the energy signature
(EN 15603:2008, annex B; title and number from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass

from tankwatch.review.days import DayFacts
from tankwatch.review.line import Line, fit_line

FEWEST_DAYS = 7
NARROWEST_ROOM_K = 1.0
"""Over less the line would rest on noise."""
_FREE = (0.02, 0.98)
"""At no duty, or at full, a heater cannot follow the room: such days lie on no line."""


@dataclass(frozen=True, slots=True)
class Signature:
    """What the line through the days tells."""

    line: Line
    """Duty (0..1) over the room's temperature (°C)."""
    loss_w_per_k: float | None
    """Slope times the heater's power; None where the power is not known."""
    loss_sigma: float | None
    full_duty_room_c: float
    """In a room colder than this the heater would not hold the water, were the line to go on."""
    no_duty_room_c: float
    """In a room warmer than this the water needs no heater."""


def signature_days(days: Sequence[DayFacts]) -> list[tuple[float, float]]:
    """Return room (°C) and duty of the days that the line may rest on."""
    return [
        (day.air_c, day.duty)
        for day in days
        if day.air_c is not None and day.duty is not None and _FREE[0] < day.duty < _FREE[1]
    ]


def find_signature(
    days: Sequence[DayFacts], heater_w: float | None, heater_sigma_w: float = 0.0
) -> Signature | None:
    """Return the signature; None with too few days, too even a room, or a duty that does not fall with it."""
    points = signature_days(days)
    if len(points) < FEWEST_DAYS:
        return None
    line = fit_line([room for room, _ in points], [duty for _, duty in points])
    if line is None or line.x_high - line.x_low < NARROWEST_ROOM_K or line.slope >= -2.0 * line.slope_sigma:
        return None
    loss = sigma = None
    if heater_w is not None:
        loss = -line.slope * heater_w
        sigma = ((line.slope_sigma * heater_w) ** 2 + (line.slope * heater_sigma_w) ** 2) ** 0.5
    return Signature(
        line=line,
        loss_w_per_k=loss,
        loss_sigma=sigma,
        full_duty_room_c=(1.0 - line.intercept) / line.slope,
        no_duty_room_c=-line.intercept / line.slope,
    )
