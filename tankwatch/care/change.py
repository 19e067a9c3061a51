"""A change of water: how far the tank cools, how much is safe, and how long the heater needs after."""

import math
from dataclasses import dataclass

from tankwatch.care import cautions
from tankwatch.care.plan import Plan, Step, duration, percent, sensible_input
from tankwatch.care.season import ChangeShares, Season
from tankwatch.physics.guard import between, finite, not_negative, positive
from tankwatch.physics.thermal import (
    heat_capacity_j_per_k,
    hot_share,
    mixed_temperature_c,
    steady_temperature_c,
    time_constant_s,
    time_to_reach_s,
)
from tankwatch.physics.water import density_kg_per_m3


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangePlan(Plan):
    """A change of water; temperatures in °C, volumes in litres, shares 0..1."""

    asked_share: float
    planned_share: float
    """The asked share, held to the largest allowed."""
    planned_l: float
    mixed_c: float
    """Temperature right after the planned change."""
    drop_k: float
    """How far the planned change cools the tank, K; negative where it warms it."""
    largest_share: float
    """Most of the tank that may be changed at once with this new water."""
    largest_share_by_temperature: float
    largest_share_by_season: float
    new_water_needed_c: tuple[float, float]
    """Range of new-water temperature that keeps the asked share within the limit."""
    hot_tap_share: float | None
    """Share of hot water that makes the new water as warm as the tank, where the taps are given."""
    changes_needed: int
    """Planned changes that together replace at least the asked share."""
    heat_kj: float
    """Heat to bring the tank back, kJ; 0 where it did not cool."""
    recovery_min: float | None
    """Minutes for the heater to bring it back, `inf` for never; None where heater or loss is unknown."""


@sensible_input()
def largest_share_by_temperature(water_c: float, new_water_c: float, limit_k: float) -> float:
    """Return the largest share of the tank that moves its temperature by at most `limit_k`, 0..1.

    From the balance of mass and heat, with the density of each water.

    Raises:
        UsageError: a temperature is outside 0..60 °C or the limit is negative.
    """
    between("water temperature in °C", water_c, 0.0, 60.0)
    between("new water in °C", new_water_c, 0.0, 60.0)
    not_negative("limit of change in K", limit_k)
    difference_k = abs(water_c - new_water_c)
    if difference_k <= limit_k:
        return 1.0
    by_mass = limit_k / difference_k
    rho_tank, rho_new = density_kg_per_m3(water_c), density_kg_per_m3(new_water_c)
    return by_mass * rho_tank / (rho_new * (1.0 - by_mass) + rho_tank * by_mass)


@sensible_input()
def plan_change(
    *,
    volume_l: float,
    water_c: float,
    new_water_c: float,
    share: float | None = None,
    limit_k: float = 1.5,
    low_c: float | None = None,
    high_c: float | None = None,
    season: Season = Season.BETWEEN,
    shares: ChangeShares | None = None,
    heater_w: float | None = None,
    loss_w_per_k: float | None = None,
    room_c: float | None = None,
    hot_tap_c: float | None = None,
    cold_tap_c: float | None = None,
) -> ChangePlan:
    """Plan one change of water.

    `limit_k` is the largest change of temperature (a change takes minutes, so it is the tank's limit over
    one hour); `low_c` and `high_c` narrow it further. `share` is 0..1 of the volume; none takes the season's
    usual share. With `heater_w` (effective), `loss_w_per_k` and `room_c` the recovery is told as well.

    Raises:
        UsageError: a volume is not above 0, a share not within 0..1, a temperature not that of water, or the
            tank is outside its own limits already.
    """
    shares = shares or ChangeShares()
    shares.check()
    positive("tank volume in litres", volume_l)
    between("water temperature in °C", water_c, 0.0, 45.0)
    between("new water in °C", new_water_c, 0.0, 60.0)
    positive("limit of change in K", limit_k)
    asked = shares.usual(season) if share is None else between("share changed", share, 0.0, 1.0)
    cooling_k, warming_k = _limits(water_c, limit_k, low_c, high_c)
    by_temperature = largest_share_by_temperature(
        water_c, new_water_c, cooling_k if new_water_c < water_c else warming_k
    )
    by_season = shares.most(season)
    largest = min(by_temperature, by_season)
    planned = min(asked, largest)
    mixed_c = mixed_temperature_c([(1.0 - planned) * volume_l, planned * volume_l], [water_c, new_water_c])
    drop_k = water_c - mixed_c
    needed_c = _new_water_needed(water_c, asked, cooling_k, warming_k)
    hot = _hot_share(water_c, hot_tap_c, cold_tap_c)
    changes = _changes_needed(asked, planned)
    capacity = heat_capacity_j_per_k(volume_l, water_c)
    heat_kj = max(0.0, capacity * drop_k) / 1000.0
    recovery_min = _recovery_min(capacity, mixed_c, water_c, heater_w, loss_w_per_k, room_c)

    warnings = []
    if asked > largest + 1e-9:
        reason = "this new water" if by_temperature < by_season else f"the season ({season})"
        warnings.append(
            f"{percent(asked)} at once is too much for {reason}: at most {_down(largest)}; "
            f"{changes} changes of {_down(planned)} replace as much, each after the tank has recovered"
            if changes
            else f"{percent(asked)} at once is too much for {reason}: at most {_down(largest)}"
        )
    if recovery_min == math.inf:
        warnings.append("this heater cannot bring the tank back in this room: use warmer water")
    advice = [
        f"change {planned * volume_l:.1f} L ({_down(planned)}): "
        f"the tank goes from {water_c:.2f} to {mixed_c:.2f} °C",
        f"for {percent(asked)} at once the new water must have {needed_c[0]:.1f} to {needed_c[1]:.1f} °C",
    ]
    if hot is not None:
        advice.append(f"mix {percent(hot)} hot with {percent(1 - hot)} cold water to match the tank")
    if recovery_min is not None and drop_k > 0:
        advice.append(f"the heater needs {duration(recovery_min)} to bring it back")
    advice.append("treat new water before it meets fish (see the dose and fill plans)")
    working = [
        Step(
            f"{(1 - planned) * volume_l:.1f} L at {water_c:.2f} °C, "
            f"{planned * volume_l:.1f} L at {new_water_c:.2f} °C",
            "mean weighted by mass",
            f"{mixed_c:.2f} °C, {drop_k:+.2f} K lost",
        ),
        Step(
            f"{water_c:.2f} °C, {new_water_c:.2f} °C, limit {cooling_k:.2f} K down and {warming_k:.2f} K up",
            "share = limit / difference, by mass",
            percent(by_temperature),
        ),
        Step(
            f"{volume_l:.1f} L, {max(0.0, drop_k):.2f} K",
            "volume x density x specific heat",
            f"{heat_kj:.0f} kJ",
        ),
    ]
    if recovery_min is not None:
        working.append(
            Step(
                f"{heater_w:g} W, {loss_w_per_k:g} W/K, room {room_c:g} °C",
                "first-order approach to room + P/K",
                duration(recovery_min),
            )
        )
    return ChangePlan(
        title=f"Change of water in {volume_l:g} L at {water_c:g} °C with water of {new_water_c:g} °C",
        advice=tuple(advice),
        inputs=(
            ("tank", f"{volume_l:g} L at {water_c:g} °C"),
            ("new water", f"{new_water_c:g} °C"),
            ("asked share", percent(asked)),
            ("limit of change", f"{limit_k:g} K"),
            ("season", str(season)),
        ),
        assumptions=(
            "water in and out at once, well mixed, no heat from or to the room meanwhile",
            "the limit of change and the season's shares are common practice, no published source: "
            "set them for your fish",
            "the heater is off during the change and at full effective power after it",
        ),
        working=tuple(working),
        warnings=tuple(warnings),
        caution=(cautions.MAINS, cautions.HEATER_OUT_OF_WATER, cautions.WATCH_ONLY),
        asked_share=asked,
        planned_share=planned,
        planned_l=planned * volume_l,
        mixed_c=mixed_c,
        drop_k=drop_k,
        largest_share=largest,
        largest_share_by_temperature=by_temperature,
        largest_share_by_season=by_season,
        new_water_needed_c=needed_c,
        hot_tap_share=hot,
        changes_needed=changes,
        heat_kj=heat_kj,
        recovery_min=recovery_min,
    )


def _limits(water_c: float, limit_k: float, low_c: float | None, high_c: float | None) -> tuple[float, float]:
    """Return how far the tank may cool and warm, K, and refuse a tank that is outside its band."""
    cooling_k = warming_k = limit_k
    if low_c is not None:
        if water_c < finite("low limit in °C", low_c):
            raise ValueError(
                f"the tank ({water_c:g} °C) is below its low limit ({low_c:g} °C): first find out why"
            )
        cooling_k = min(cooling_k, water_c - low_c)
    if high_c is not None:
        if water_c > finite("high limit in °C", high_c):
            raise ValueError(
                f"the tank ({water_c:g} °C) is above its high limit ({high_c:g} °C): first find out why"
            )
        warming_k = min(warming_k, high_c - water_c)
    return cooling_k, warming_k


def _new_water_needed(
    water_c: float, share: float, cooling_k: float, warming_k: float
) -> tuple[float, float]:
    """Return the range of new water that keeps `share` within the limits, °C, rounded inwards to 0.1."""
    if share == 0.0:
        return 0.0, 60.0
    low_c = max(0.0, water_c - cooling_k / share)
    high_c = min(60.0, water_c + warming_k / share)
    # Cold water is heavier, so its share by mass is larger: step inwards until the limit holds.
    while low_c < water_c and largest_share_by_temperature(water_c, low_c, cooling_k) < share:
        low_c = min(water_c, low_c + 0.01)
    return math.ceil(10 * low_c - 1e-6) / 10, math.floor(10 * high_c + 1e-6) / 10


def _hot_share(water_c: float, hot_tap_c: float | None, cold_tap_c: float | None) -> float | None:
    if hot_tap_c is None or cold_tap_c is None:
        return None
    return hot_share(hot_tap_c, cold_tap_c, water_c)


def _changes_needed(asked: float, planned: float) -> int:
    """Return how many planned changes replace the asked share; 0 where none is possible or none asked for."""
    if planned <= 0.0:
        return 0
    if planned >= asked - 1e-12:
        return 1
    if asked >= 1.0:
        return math.ceil(math.log(0.01) / math.log(1.0 - planned))  # 99 % stands for all
    return math.ceil(math.log(1.0 - asked) / math.log(1.0 - planned) - 1e-9)


def _recovery_min(
    capacity_j_per_k: float,
    mixed_c: float,
    water_c: float,
    heater_w: float | None,
    loss_w_per_k: float | None,
    room_c: float | None,
) -> float | None:
    if heater_w is None or loss_w_per_k is None or room_c is None:
        return None
    positive("heater power in W", heater_w)
    if mixed_c >= water_c:
        return 0.0
    steady_c = steady_temperature_c(heater_w, loss_w_per_k, room_c)
    return time_to_reach_s(mixed_c, water_c, steady_c, time_constant_s(capacity_j_per_k, loss_w_per_k)) / 60.0


def _down(share: float) -> str:
    """Return a share as a percentage, rounded down: advice never rounds past a limit."""
    return f"{math.floor(1000 * share + 1e-6) / 10:g} %"
