"""The heater a tank needs: watts for the coldest room, duty, margin, and what a stuck heater would do."""

from dataclasses import dataclass

from tankwatch.care import cautions
from tankwatch.care.plan import Plan, Step, duration, percent, sensible_input
from tankwatch.physics.guard import between, not_negative, positive
from tankwatch.physics.tank_loss import HIGH_FILMS, LOW_FILMS, TankShape, glass_loss_w_per_k
from tankwatch.physics.thermal import (
    coldest_room_c,
    duty_needed,
    heat_capacity_j_per_k,
    heater_needed_w,
    steady_temperature_c,
    time_constant_s,
    time_to_reach_s,
)

MARGIN = 0.25
"""Spare share of a heater's power (common practice, no published source)."""


@dataclass(frozen=True, slots=True)
class HeaterChoice:
    """What a set of equal heaters does in this tank; the loss is taken at its worse end for each question."""

    heaters: int
    each_w: float
    duty_in_coldest_room: float
    """Share of time that all of them are on in the coldest room; above 1.0 they are too weak."""
    coldest_room_c: float
    """Coldest room in which all together hold the setpoint."""
    coldest_room_one_dead_c: float
    """The same with one of them dead."""
    one_stuck_c: float
    """Where the water settles in the room of now with one stuck on and the others off."""
    one_stuck_minutes_to_high: float | None
    """Minutes from setpoint to high limit with one stuck on, `inf` for never; None without a limit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeaterPlan(Plan):
    """The heater a tank needs; ranges are (low, high)."""

    loss_w_per_k: tuple[float, float]
    needed_w: tuple[float, float]
    recommended_w: float
    """Needed at the high end, with the margin."""
    duty_now: tuple[float, float] | None
    """Duty expected in the room of now; None without a heater or a room."""
    margin: float | None
    """Spare share of the present heater in the coldest room; negative where it is too weak."""
    one_heater: HeaterChoice
    two_heaters: HeaterChoice


@sensible_input()
def plan_heater(
    *,
    volume_l: float,
    setpoint_c: float,
    coldest_room: float,
    room_now_c: float | None = None,
    heater_w: float | None = None,
    loss_w_per_k: float | None = None,
    loss_uncertainty_w_per_k: float = 0.0,
    shape: TankShape | None = None,
    relative_humidity: float = 0.5,
    gain_w: float = 0.0,
    high_c: float | None = None,
) -> HeaterPlan:
    """Plan the heater from a fitted loss, or without one from the tank's dimensions.

    `heater_w` is the effective power of the present heater; without it the recommended power is judged.
    The loss is taken as `loss_w_per_k` ± twice its uncertainty, or between the low and high films.

    Raises:
        UsageError: neither loss nor dimensions, a size not above 0, or a coldest room not below the setpoint.
    """
    positive("tank volume in litres", volume_l)
    between("setpoint in °C", setpoint_c, 0.0, 45.0)
    between("coldest room in °C", coldest_room, -20.0, 45.0)
    not_negative("gain in W", gain_w)
    not_negative("uncertainty of the loss in W/K", loss_uncertainty_w_per_k)
    if coldest_room >= setpoint_c:
        raise ValueError(
            f"the coldest room ({coldest_room:g} °C) is not below the setpoint ({setpoint_c:g} °C): "
            "no heater is needed"
        )
    loss, loss_source, assumption = _loss_range(
        loss_w_per_k, loss_uncertainty_w_per_k, shape, setpoint_c, coldest_room, relative_humidity
    )
    needed = (
        heater_needed_w(loss[0], setpoint_c, coldest_room, gain_w),
        heater_needed_w(loss[1], setpoint_c, coldest_room, gain_w),
    )
    recommended_w = needed[1] * (1.0 + MARGIN)
    judged_w = recommended_w if heater_w is None else positive("heater power in W", heater_w)
    judged_w = max(judged_w, 1.0)
    stuck_room_c = coldest_room if room_now_c is None else between("room in °C", room_now_c, -20.0, 45.0)
    capacity = heat_capacity_j_per_k(volume_l, setpoint_c)
    one, two = (
        _choice(n, judged_w / n, loss, setpoint_c, coldest_room, stuck_room_c, gain_w, high_c, capacity)
        for n in (1, 2)
    )
    duty_now = None
    if heater_w is not None and room_now_c is not None:
        duties = [duty_needed(k, setpoint_c, room_now_c, heater_w, gain_w) for k in loss]
        duty_now = (min(1.0, max(0.0, min(duties))), min(1.0, max(0.0, max(duties))))
    margin = None if heater_w is None else 1.0 - one.duty_in_coldest_room
    warnings = []
    if margin is not None and margin < 0.0:
        warnings.append(
            f"{heater_w:g} W cannot hold {setpoint_c:g} °C in a room of {coldest_room:g} °C: "
            f"it holds down to {one.coldest_room_c:.1f} °C"
        )
    elif margin is not None and margin < MARGIN / (1 + MARGIN) - 1e-9:
        warnings.append(f"only {percent(margin)} of the heater is spare in the coldest room")
    if high_c is not None and one.one_stuck_c > high_c:
        warnings.append(
            f"one heater of {judged_w:.0f} W stuck on would pass {high_c:g} °C "
            f"after {duration(one.one_stuck_minutes_to_high or 0.0)}"
        )
    advice = [
        f"{needed[1]:.0f} W are needed for the coldest room; "
        f"with {percent(MARGIN)} added {recommended_w:.0f} W",
        _compare(one, two, stuck_room_c, high_c),
    ]
    if duty_now is not None:
        advice.append(f"expected duty now: {percent(duty_now[0])} to {percent(duty_now[1])}")
    return HeaterPlan(
        title=f"Heater for {volume_l:g} L at {setpoint_c:g} °C in a room down to {coldest_room:g} °C",
        advice=tuple(advice),
        inputs=(
            ("tank", f"{volume_l:g} L, setpoint {setpoint_c:g} °C"),
            ("coldest room", f"{coldest_room:g} °C"),
            ("heater", "none yet" if heater_w is None else f"{heater_w:g} W effective"),
            ("other gains", f"{gain_w:g} W"),
        ),
        assumptions=(assumption, "the tank is well mixed; the other gains stay as given"),
        working=(
            Step(loss_source, "loss per kelvin", f"{loss[0]:.2f} to {loss[1]:.2f} W/K"),
            Step(
                f"{loss[1]:.2f} W/K, {setpoint_c - coldest_room:g} K, gains {gain_w:g} W",
                "loss x difference - gains",
                f"{needed[1]:.0f} W",
            ),
            Step(
                f"{judged_w:.0f} W, {loss[1]:.2f} W/K",
                "setpoint - (power + gains) / loss",
                f"holds down to a room of {one.coldest_room_c:.1f} °C",
            ),
            Step(
                f"{judged_w:.0f} W stuck on, {loss[0]:.2f} W/K, room {stuck_room_c:g} °C",
                "room + (power + gains) / loss",
                f"{one.one_stuck_c:.1f} °C, with half the power {two.one_stuck_c:.1f} °C",
            ),
        ),
        warnings=tuple(warnings),
        caution=(
            cautions.MAINS,
            *(() if loss_w_per_k is not None else (cautions.ESTIMATE,)),
            cautions.WATCH_ONLY,
        ),
        loss_w_per_k=loss,
        needed_w=needed,
        recommended_w=recommended_w,
        duty_now=duty_now,
        margin=margin,
        one_heater=one,
        two_heaters=two,
    )


def _loss_range(
    loss_w_per_k: float | None,
    uncertainty_w_per_k: float,
    shape: TankShape | None,
    setpoint_c: float,
    coldest_room: float,
    relative_humidity: float,
) -> tuple[tuple[float, float], str, str]:
    if loss_w_per_k is not None:
        positive("heat loss in W/K", loss_w_per_k)
        low = max(loss_w_per_k - 2 * uncertainty_w_per_k, 0.05 * loss_w_per_k)
        return (
            (low, loss_w_per_k + 2 * uncertainty_w_per_k),
            f"fitted {loss_w_per_k:.2f} ± {uncertainty_w_per_k:.2f} W/K",
            "the fitted loss holds in the coldest room too",
        )
    if shape is None:
        raise ValueError("give the fitted loss in W/K, or the tank's length, width and water height in cm")
    room_c = max(0.0, coldest_room)
    low, high = (
        glass_loss_w_per_k(shape, setpoint_c, room_c, relative_humidity, films)
        for films in (LOW_FILMS, HIGH_FILMS)
    )
    cover = "a closed lid" if shape.lid else "an open top"
    return (
        (low, high),
        f"{shape.length_cm:g} x {shape.width_cm:g} x {shape.water_height_cm:g} cm, "
        f"{shape.wall_mm:g} mm walls, {cover}",
        f"handbook films, room air at {percent(relative_humidity)} humidity; "
        "low: still surface, high: stirred surface",
    )


def _choice(
    heaters: int,
    each_w: float,
    loss: tuple[float, float],
    setpoint_c: float,
    coldest_room: float,
    stuck_room_c: float,
    gain_w: float,
    high_c: float | None,
    capacity_j_per_k: float,
) -> HeaterChoice:
    total_w = heaters * each_w
    stuck_c = steady_temperature_c(each_w + gain_w, loss[0], stuck_room_c)
    minutes = None
    if high_c is not None:
        tau_s = time_constant_s(capacity_j_per_k, loss[0])
        minutes = time_to_reach_s(setpoint_c, high_c, stuck_c, tau_s) / 60.0
    return HeaterChoice(
        heaters=heaters,
        each_w=each_w,
        duty_in_coldest_room=duty_needed(loss[1], setpoint_c, coldest_room, total_w, gain_w),
        coldest_room_c=coldest_room_c(loss[1], setpoint_c, total_w, gain_w),
        coldest_room_one_dead_c=coldest_room_c(loss[1], setpoint_c, total_w - each_w, gain_w),
        one_stuck_c=stuck_c,
        one_stuck_minutes_to_high=minutes,
    )


def _compare(one: HeaterChoice, two: HeaterChoice, room_c: float, high_c: float | None) -> str:
    text = (
        f"stuck on in a room of {room_c:g} °C, one of {one.each_w:.0f} W ends at {one.one_stuck_c:.1f} °C, "
        f"one of two of {two.each_w:.0f} W at {two.one_stuck_c:.1f} °C"
    )
    if high_c is not None:
        before = duration(one.one_stuck_minutes_to_high or 0.0)
        after = duration(two.one_stuck_minutes_to_high or 0.0)
        text += f"; {high_c:g} °C is reached after {before} against {after}"
    return text + f"; with one of the two dead the other holds down to {two.coldest_room_one_dead_c:.1f} °C"
