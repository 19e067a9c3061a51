"""The plans of the tank itself as commands: ammonia, oxygen, filter and heater."""

import argparse
from typing import TYPE_CHECKING

from tankwatch.care.plan_options import PlanCommand, add, as_share, either, need
from tankwatch.errors import UsageError

if TYPE_CHECKING:
    from tankwatch.care.known import Known
    from tankwatch.care.plan import Plan


def _ammonia_options(parser: argparse.ArgumentParser) -> None:
    add(parser, "--ammonia", "mg/L", "total ammonia that the test shows", required=True)
    parser.add_argument(
        "--as",
        dest="unit",
        choices=["N", "NH3", "NH4"],
        default="N",
        help="what it is counted as (default N)",
    )
    add(parser, "--ph", "pH", "pH of the tank", required=True)
    add(parser, "--water", "°C", "temperature of the tank")
    parser.add_argument("--salmonids", action="store_true", help="trout or salmon live in it")


def _ammonia(args: argparse.Namespace, known: "Known") -> "Plan":
    from tankwatch.care.ammonia import plan_ammonia
    from tankwatch.physics.nitrogen import NitrogenUnit

    return plan_ammonia(
        ammonia_mg_per_l=args.ammonia,
        ph=args.ph,
        temperature_c=need(args.water, known.water_c, "--water", "the tank's temperature"),
        unit=NitrogenUnit(args.unit),
        salmonids=args.salmonids,
    )


def _oxygen_options(parser: argparse.ArgumentParser) -> None:
    add(parser, "--water", "°C", "temperature of the tank")
    add(parser, "--altitude", "m", "altitude above the sea (default 0)", default=0.0)
    add(parser, "--warm-night", "K", "how much warmer a hot night makes it (default 3)", default=3.0)
    add(parser, "--measured", "mg/L", "oxygen measured")


def _oxygen(args: argparse.Namespace, known: "Known") -> "Plan":
    from tankwatch.care.oxygen import plan_oxygen

    return plan_oxygen(
        temperature_c=need(args.water, known.water_c, "--water", "the tank's temperature"),
        altitude_m=args.altitude,
        warm_night_k=args.warm_night,
        measured_mg_per_l=args.measured,
    )


def _filter_options(parser: argparse.ArgumentParser) -> None:
    add(parser, "--volume", "L", "water in the tank")
    add(parser, "--feed", "g/day", "dry feed", required=True)
    add(parser, "--protein", "%", "protein of the feed (default 45)", type=as_share, default=0.45)
    add(parser, "--media", "m²", "surface of the filter media", required=True)
    add(parser, "--water", "°C", "temperature of the tank")
    add(parser, "--age", "weeks", "age of the filter; without it it is taken as ripe")
    add(parser, "--alkalinity", "mg/L", "alkalinity as CaCO3; 1 degree of carbonate hardness is 17.85")
    add(parser, "--more-media", "m²", "what would another filter change", default=0.0)
    add(parser, "--more-feed", "g/day", "what would more fish change", default=0.0)


def _filter(args: argparse.Namespace, known: "Known") -> "Plan":
    from tankwatch.care.biofilter import plan_filter

    return plan_filter(
        volume_l=need(args.volume, known.volume_l, "--volume", "the tank's volume"),
        feed_g_per_day=args.feed,
        temperature_c=need(args.water, known.water_c, "--water", "the tank's temperature"),
        media_m2=args.media,
        protein_share=args.protein,
        age_weeks=args.age,
        alkalinity_mg_caco3_per_l=args.alkalinity,
        more_media_m2=args.more_media,
        more_feed_g_per_day=args.more_feed,
    )


def _heater_options(parser: argparse.ArgumentParser) -> None:
    add(parser, "--volume", "L", "water in the tank; without it length x width x height")
    add(parser, "--setpoint", "°C", "temperature to hold")
    add(parser, "--coldest", "°C", "coldest that the room gets", required=True)
    add(parser, "--room", "°C", "temperature of the room now")
    add(parser, "--heater-w", "W", "power of the present heater")
    add(parser, "--high", "°C", "upper limit of the water")
    add(parser, "--gain", "W", "heat of pump and light that stays in the water (default 0)", default=0.0)
    fitted = parser.add_argument_group("heat loss, where it is known")
    add(fitted, "--loss", "W/K", "heat loss to the room")
    add(fitted, "--loss-uncertainty", "W/K", "its standard uncertainty (default 0)")
    shape = parser.add_argument_group("dimensions, where it is not")
    add(shape, "--length", "cm", "inner length")
    add(shape, "--width", "cm", "inner width")
    add(shape, "--height", "cm", "height of the water")
    add(shape, "--glass", "mm", "thickness of the glass (default 6)", default=6.0)
    shape.add_argument("--lid", action="store_true", help="a closed lid")
    shape.add_argument(
        "--bare-base", action="store_true", help="the base stands free, without a board or foam"
    )
    add(shape, "--humidity", "%", "relative humidity of the room (default 50)", type=as_share, default=0.5)


def _heater(args: argparse.Namespace, known: "Known") -> "Plan":
    from tankwatch.care.heater import plan_heater
    from tankwatch.physics.tank_loss import TankShape

    shape = None
    if args.length is not None and args.width is not None and args.height is not None:
        shape = TankShape(
            args.length, args.width, args.height, args.glass, args.lid, base_insulated=not args.bare_base
        )
    elif not args.length == args.width == args.height:
        raise UsageError("the dimensions need all of --length, --width and --height")
    # Dimensions that were given are asked about, even where the watch has fitted a loss.
    use_fitted = args.loss is None and shape is None
    loss = known.loss_w_per_k if use_fitted else args.loss
    uncertainty = known.loss_uncertainty_w_per_k if use_fitted else None
    volume = known.volume_l if shape is None else shape.volume_l
    return plan_heater(
        volume_l=need(args.volume, volume, "--volume", "the tank's volume"),
        setpoint_c=need(args.setpoint, known.setpoint_c, "--setpoint", "the setpoint"),
        coldest_room=args.coldest,
        room_now_c=either(args.room, known.room_c),
        heater_w=either(args.heater_w, known.heater_w),
        loss_w_per_k=loss,
        loss_uncertainty_w_per_k=either(args.loss_uncertainty, uncertainty) or 0.0,
        shape=shape,
        relative_humidity=args.humidity,
        gain_w=args.gain,
        high_c=either(args.high, known.high_c),
    )


PLANS = (
    PlanCommand("ammonia", "an ammonia test against the published criteria", _ammonia_options, _ammonia),
    PlanCommand("oxygen", "oxygen that the water holds, and in a warm night", _oxygen_options, _oxygen),
    PlanCommand("filter", "what the feed asks of the filter, and what is spare", _filter_options, _filter),
    PlanCommand(
        "heater", "the heater for the coldest room, its margin and its faults", _heater_options, _heater
    ),
)
