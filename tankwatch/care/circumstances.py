"""What the sensors saw in the hours before an observation, told as sentences."""

from collections.abc import Sequence
from dataclasses import dataclass

from tankwatch.care.plan import sensible_input
from tankwatch.physics.guard import finite, positive
from tankwatch.physics.oxygen import air_pressure_pa, oxygen_saturation_mg_per_l

LOOK_BACK_H = 24.0


@dataclass(frozen=True, slots=True)
class TankLimits:
    """The limits of the tank that matter here."""

    low_c: float
    high_c: float
    max_rate_c_per_h: float
    altitude_m: float = 0.0


@dataclass(frozen=True, slots=True)
class PastEvent:
    """Something done or told in the hours before: a change of water, new fish, a power loss."""

    time_s: float
    text: str


@sensible_input()
def seen_before(
    now_s: float,
    temperatures: Sequence[tuple[float, float]],
    limits: TankLimits,
    events: Sequence[PastEvent] = (),
    look_back_h: float = LOOK_BACK_H,
) -> tuple[str, ...]:
    """Return what may explain odd fish: steep changes, water outside the band, events.

    `temperatures` are (seconds since 1970, °C) in order of time; only those within `look_back_h` before
    `now_s` count, and of them only what water can have: a faulty probe is told elsewhere.

    Raises:
        UsageError: the time is not a number, or the hours are not above 0.
    """
    finite("time in s", now_s)
    positive("hours to look back", look_back_h)
    start_s = now_s - look_back_h * 3600.0
    recent = [(t, c) for t, c in temperatures if start_s <= t <= now_s and 0.0 <= c <= 45.0]
    found: list[str] = []
    if recent:
        found += _steep(now_s, recent, limits.max_rate_c_per_h)
        warmest_s, warmest_c = max(recent, key=lambda pair: pair[1])
        coldest_s, coldest_c = min(recent, key=lambda pair: pair[1])
        if warmest_c > limits.high_c:
            held = oxygen_saturation_mg_per_l(min(warmest_c, 40.0), air_pressure_pa(limits.altitude_m))
            found.append(
                f"it was {warmest_c:.1f} °C {_ago(now_s, warmest_s)}: "
                f"such water holds at most {held:.1f} mg/L oxygen"
            )
        if coldest_c < limits.low_c:
            found.append(f"it was {coldest_c:.1f} °C {_ago(now_s, coldest_s)}, below the band")
    found += [
        f"{event.text} {_ago(now_s, event.time_s)}" for event in events if start_s <= event.time_s <= now_s
    ]
    return tuple(found)


def _steep(now_s: float, recent: Sequence[tuple[float, float]], limit_c_per_h: float) -> list[str]:
    """Return the steepest fall and rise over one hour that pass the limit."""
    fall: tuple[float, float] = (0.0, 0.0)
    rise: tuple[float, float] = (0.0, 0.0)
    first = 0
    for time_s, celsius in recent:
        while recent[first][0] < time_s - 3600.0:
            first += 1
        change = celsius - recent[first][1]
        fall = min(fall, (change, time_s))
        rise = max(rise, (change, time_s))
    found = []
    if fall[0] < -limit_c_per_h:
        found.append(f"the water cooled {-fall[0]:.1f} °C within an hour {_ago(now_s, fall[1])}")
    if rise[0] > limit_c_per_h:
        found.append(f"the water warmed {rise[0]:.1f} °C within an hour {_ago(now_s, rise[1])}")
    return found


def _ago(now_s: float, then_s: float) -> str:
    hours = (now_s - then_s) / 3600.0
    return f"{hours:.0f} h ago" if hours >= 1.5 else f"{max(0.0, hours * 60):.0f} min ago"
