"""The command `plan`: options in, a plan printed. What a plan needs is imported when it is asked for."""

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tankwatch.errors import UsageError

if TYPE_CHECKING:
    from tankwatch.care.conditioner import Conditioner, TapWater
    from tankwatch.care.known import Known
    from tankwatch.care.plan import Plan

_CHEMICALS = (
    "thiosulfate",
    "thiosulfate-anhydrous",
    "ascorbic-acid",
    "sodium-ascorbate",
    "bisulfite",
    "metabisulfite",
    "sulfite",
)


def add_plan_parser(subparsers: Any) -> argparse.ArgumentParser:
    """Add `plan` with its own sub-commands to the commands of `tankwatch`; return its parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "plan",
        help="work out the sums of the care: change, dose, fill, ammonia, oxygen, filter, heater",
        description="Work out the sums of the care of a tank, with assumptions, working and cautions.",
    )
    plans = parser.add_subparsers(title="plans", metavar="PLAN", required=True, dest="plan")
    for name, text, options, _ in _PLANS:
        sub = plans.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
        sub.set_defaults(command=run_plan)
        known = sub.add_argument_group("a tank that tankwatch knows")
        known.add_argument("--tank", metavar="ID", help="take what is not given from this tank")
        known.add_argument("--config", metavar="CONFIG", type=Path, help="configuration file")
        sub.add_argument("--json", action="store_true", help="print one JSON object")
        options(sub)
    return parser


def run_plan(args: argparse.Namespace) -> int:
    """Print the plan that was asked for; return the exit status.

    Raises:
        UsageError: something is missing or makes no sense.
        ConfigError: the configuration or the tank cannot be used.
    """
    work = next(work for name, _, _, work in _PLANS if name == args.plan)
    plan = work(args, _known(args))
    if args.json:
        import json

        print(json.dumps(plan.as_dict(), ensure_ascii=False, indent=2))
    else:
        print("\n".join(_fitted(plan)))
    return 0


def _known(args: argparse.Namespace) -> "Known":
    from tankwatch.care.known import Known, known_of, look_at_watch

    if args.tank is None:
        if args.config is not None:
            raise UsageError("--config alone says nothing about a tank: add --tank ID")
        return Known()
    from tankwatch.clock import SystemClock
    from tankwatch.config import load
    from tankwatch.config_path import find_config

    config = load(find_config(args.config))
    config.tank_by_id(args.tank)
    picture = look_at_watch(config, lambda text: print(text, file=sys.stderr))
    return known_of(config, args.tank, picture, SystemClock().wall_s())


def _fitted(plan: "Plan") -> list[str]:
    """Return the plan's lines, folded to the terminal's width; whole where the output is no terminal."""
    lines = list(plan.lines())
    if not sys.stdout.isatty():
        return lines
    import shutil
    import textwrap

    width = max(40, shutil.get_terminal_size().columns)
    return [part for line in lines for part in textwrap.wrap(line, width, subsequent_indent="      ") or [""]]


def _need(given: float | None, known: float | None, option: str, what: str) -> float:
    """Return what was given, else what is known.

    Raises:
        UsageError: neither.
    """
    if given is not None:
        return given
    if known is not None:
        return known
    raise UsageError(f"{what} is not known: give {option}, or --tank ID of a tank whose watch runs")


def _either(given: float | None, known: float | None) -> float | None:
    return known if given is None else given


def _share(text: str) -> float:
    """Return a percentage such as `40` or `40%` as a share."""
    try:
        percent = float(text.strip().removesuffix("%"))
    except ValueError:
        percent = float("nan")
    if not 0.0 <= percent <= 100.0:
        raise argparse.ArgumentTypeError(f"expected a percentage from 0 to 100, got {text!r}")
    return percent / 100.0


def _add(parser: Any, option: str, unit: str, text: str, **more: Any) -> None:
    parser.add_argument(option, metavar=unit, **({"type": float} | more), help=text)


def _change_options(parser: argparse.ArgumentParser) -> None:
    _add(parser, "--volume", "L", "water in the tank")
    _add(parser, "--water", "°C", "temperature of the tank")
    _add(parser, "--new", "°C", "temperature of the new water")
    amount = parser.add_mutually_exclusive_group()
    _add(amount, "--percent", "%", "share to change; without it the season's usual share", type=_share)
    _add(amount, "--litres", "L", "amount to change, instead of --percent")
    _add(parser, "--limit", "K", "largest change of temperature (default 1.5)")
    parser.add_argument("--season", choices=["summer", "winter", "between"], help="season of the change")
    _add(parser, "--heater-w", "W", "effective power of the heater")
    _add(parser, "--loss", "W/K", "heat loss to the room")
    _add(parser, "--room", "°C", "temperature of the room")
    _add(parser, "--hot", "°C", "hot tap, to mix the new water")
    _add(parser, "--cold", "°C", "cold tap, to mix the new water")
    nitrate = parser.add_argument_group("nitrate over repeated changes (all in the same unit, mg/L)")
    _add(nitrate, "--nitrate", "mg/L", "nitrate now: tells what the routine does to it instead")
    _add(nitrate, "--tap-nitrate", "mg/L", "nitrate of the tap (default 0)", default=0.0)
    _add(nitrate, "--nitrate-grows", "mg/L", "growth between two changes (default 0)", default=0.0)
    _add(nitrate, "--nitrate-target", "mg/L", "where to bring it")


def _change(args: argparse.Namespace, known: "Known") -> "Plan":
    from tankwatch.care.change import plan_change
    from tankwatch.care.dilution import plan_dilution
    from tankwatch.care.season import ChangeShares, Season

    season = Season(args.season) if args.season else known.season or Season.BETWEEN
    share = args.percent
    if args.litres is not None:
        volume_l = _need(args.volume, known.volume_l, "--volume", "the tank's volume")
        share = args.litres / volume_l if volume_l else float("nan")
    if args.nitrate is not None:
        return plan_dilution(
            now_mg_per_l=args.nitrate,
            share=ChangeShares().usual(season) if share is None else share,
            tap_mg_per_l=args.tap_nitrate,
            added_per_interval_mg_per_l=args.nitrate_grows,
            target_mg_per_l=args.nitrate_target,
        )
    return plan_change(
        volume_l=_need(args.volume, known.volume_l, "--volume", "the tank's volume"),
        water_c=_need(args.water, known.water_c, "--water", "the tank's temperature"),
        new_water_c=_need(args.new, None, "--new", "the new water's temperature"),
        share=share,
        limit_k=_need(args.limit, known.limit_k or 1.5, "--limit", "the limit of change"),
        low_c=known.low_c,
        high_c=known.high_c,
        season=season,
        heater_w=_either(args.heater_w, known.heater_w),
        loss_w_per_k=_either(args.loss, known.loss_w_per_k),
        room_c=_either(args.room, known.room_c),
        hot_tap_c=args.hot,
        cold_tap_c=args.cold,
    )


def _conditioner_options(parser: argparse.ArgumentParser) -> None:
    label = parser.add_argument_group("conditioner by its label")
    _add(label, "--label-ml", "mL", "dose that the label gives …")
    _add(label, "--label-l", "L", "… for this much water")
    _add(label, "--label-treats", "mg/L", "chlorine (as Cl2) that this dose treats, if the label says so")
    _add(label, "--label-max", "mL/L", "most that the label allows in a day, per litre of tank")
    plain = parser.add_argument_group("conditioner as a plain chemical")
    plain.add_argument("--chemical", choices=_CHEMICALS, help="by its reaction, on the safe side")
    _add(plain, "--purity", "%", "purity of the powder (default 100)", type=_share, default=1.0)
    _add(plain, "--solution", "g/L", "powder in one litre of stock solution; without it powder is dosed")
    tap = parser.add_argument_group("tap water at its worst, from the supplier")
    tap.add_argument("--tap", choices=["chlorine", "chloramine"], default="chloramine", help="(default)")
    _add(tap, "--tap-level", "mg/L", "highest level the supplier may dose (default 4.0 as Cl2)")
    tap.add_argument(
        "--tap-as", choices=["cl2", "nh2cl"], default="cl2", help="what the level is counted as (default cl2)"
    )
    _add(parser, "--ph", "pH", "pH of the tank (default 8.0)", default=8.0)
    _add(parser, "--water", "°C", "temperature of the tank")
    _add(parser, "--given", "mL", "conditioner given today already", default=0.0)


def _conditioner(args: argparse.Namespace) -> "Conditioner":
    from tankwatch.care.conditioner import ChemicalDose, LabelDose

    by_label = args.label_ml is not None or args.label_l is not None
    if by_label == (args.chemical is not None):
        raise UsageError("say which conditioner: --label-ml with --label-l, or --chemical")
    if args.chemical is not None:
        return ChemicalDose.named(args.chemical, args.purity, args.solution)
    if args.label_ml is None or args.label_l is None:
        raise UsageError("a label's dose needs both --label-ml and --label-l")
    return LabelDose(args.label_ml, args.label_l, args.label_treats, args.label_max)


def _tap(args: argparse.Namespace) -> "TapWater":
    from tankwatch.care.conditioner import Disinfectant, TapWater

    if args.tap_as == "nh2cl":
        if args.tap != "chloramine" or args.tap_level is None:
            raise UsageError("--tap-as nh2cl counts chloramine: give --tap chloramine and --tap-level")
        return TapWater.of_chloramine_as_nh2cl(args.tap_level)
    if args.tap_level is None:
        return TapWater(Disinfectant(args.tap))
    return TapWater(Disinfectant(args.tap), args.tap_level)


def _dose_options(parser: argparse.ArgumentParser) -> None:
    _add(parser, "--volume", "L", "water in the full tank")
    _add(parser, "--new", "L", "new water")
    parser.add_argument(
        "--into",
        choices=["tank", "bucket"],
        default="tank",
        help="where the new water meets the conditioner (default tank: filled directly)",
    )
    _conditioner_options(parser)


def _dose(args: argparse.Namespace, known: "Known") -> "Plan":
    from tankwatch.care.conditioner import plan_dose

    return plan_dose(
        conditioner=_conditioner(args),
        tank_l=_need(args.volume, known.volume_l, "--volume", "the tank's volume"),
        new_l=_need(args.new, None, "--new", "the amount of new water"),
        direct=args.into == "tank",
        tap=_tap(args),
        ph=args.ph,
        temperature_c=_need(args.water, known.water_c or 25.0, "--water", "the tank's temperature"),
        given_today_ml=args.given,
    )


def _fill_options(parser: argparse.ArgumentParser) -> None:
    _add(parser, "--volume", "L", "water in the full tank")
    _add(parser, "--fill", "L", "water to run in")
    _add(parser, "--length", "cm", "inner length of the tank")
    _add(parser, "--width", "cm", "inner width of the tank")
    _add(parser, "--footprint", "cm²", "footprint, instead of length and width")
    _add(parser, "--lift", "cm", "height of one lift (default 5)", default=5.0)
    _add(parser, "--new", "°C", "temperature of the new water")
    _add(parser, "--limit", "K", "largest change of temperature (default 1.5)")
    _conditioner_options(parser)


def _fill(args: argparse.Namespace, known: "Known") -> "Plan":
    from tankwatch.care.filling import plan_fill

    footprint = args.footprint
    if footprint is None:
        if args.length is None or args.width is None:
            raise UsageError("the footprint is not known: give --length and --width, or --footprint")
        footprint = args.length * args.width if args.length > 0 < args.width else 0.0
    return plan_fill(
        conditioner=_conditioner(args),
        tank_l=_need(args.volume, known.volume_l, "--volume", "the tank's volume"),
        fill_l=_need(args.fill, None, "--fill", "the amount of water"),
        footprint_cm2=footprint,
        lift_cm=args.lift,
        tap=_tap(args),
        given_today_ml=args.given,
        ph=args.ph,
        water_c=_either(args.water, known.water_c),
        new_water_c=args.new,
        limit_k=_need(args.limit, known.limit_k or 1.5, "--limit", "the limit of change"),
    )


def _ammonia_options(parser: argparse.ArgumentParser) -> None:
    _add(parser, "--ammonia", "mg/L", "total ammonia that the test shows", required=True)
    parser.add_argument(
        "--as",
        dest="unit",
        choices=["N", "NH3", "NH4"],
        default="N",
        help="what it is counted as (default N)",
    )
    _add(parser, "--ph", "pH", "pH of the tank", required=True)
    _add(parser, "--water", "°C", "temperature of the tank")
    parser.add_argument("--salmonids", action="store_true", help="trout or salmon live in it")


def _ammonia(args: argparse.Namespace, known: "Known") -> "Plan":
    from tankwatch.care.ammonia import plan_ammonia
    from tankwatch.physics.nitrogen import NitrogenUnit

    return plan_ammonia(
        ammonia_mg_per_l=args.ammonia,
        ph=args.ph,
        temperature_c=_need(args.water, known.water_c, "--water", "the tank's temperature"),
        unit=NitrogenUnit(args.unit),
        salmonids=args.salmonids,
    )


def _oxygen_options(parser: argparse.ArgumentParser) -> None:
    _add(parser, "--water", "°C", "temperature of the tank")
    _add(parser, "--altitude", "m", "altitude above the sea (default 0)", default=0.0)
    _add(parser, "--warm-night", "K", "how much warmer a hot night makes it (default 3)", default=3.0)
    _add(parser, "--measured", "mg/L", "oxygen measured")


def _oxygen(args: argparse.Namespace, known: "Known") -> "Plan":
    from tankwatch.care.oxygen import plan_oxygen

    return plan_oxygen(
        temperature_c=_need(args.water, known.water_c, "--water", "the tank's temperature"),
        altitude_m=args.altitude,
        warm_night_k=args.warm_night,
        measured_mg_per_l=args.measured,
    )


def _filter_options(parser: argparse.ArgumentParser) -> None:
    _add(parser, "--volume", "L", "water in the tank")
    _add(parser, "--feed", "g/day", "dry feed", required=True)
    _add(parser, "--protein", "%", "protein of the feed (default 45)", type=_share, default=0.45)
    _add(parser, "--media", "m²", "surface of the filter media", required=True)
    _add(parser, "--water", "°C", "temperature of the tank")
    _add(parser, "--age", "weeks", "age of the filter; without it it is taken as ripe")
    _add(parser, "--alkalinity", "mg/L", "alkalinity as CaCO3; 1 degree of carbonate hardness is 17.85")
    _add(parser, "--more-media", "m²", "what would another filter change", default=0.0)
    _add(parser, "--more-feed", "g/day", "what would more fish change", default=0.0)


def _filter(args: argparse.Namespace, known: "Known") -> "Plan":
    from tankwatch.care.biofilter import plan_filter

    return plan_filter(
        volume_l=_need(args.volume, known.volume_l, "--volume", "the tank's volume"),
        feed_g_per_day=args.feed,
        temperature_c=_need(args.water, known.water_c, "--water", "the tank's temperature"),
        media_m2=args.media,
        protein_share=args.protein,
        age_weeks=args.age,
        alkalinity_mg_caco3_per_l=args.alkalinity,
        more_media_m2=args.more_media,
        more_feed_g_per_day=args.more_feed,
    )


def _heater_options(parser: argparse.ArgumentParser) -> None:
    _add(parser, "--volume", "L", "water in the tank; without it length x width x height")
    _add(parser, "--setpoint", "°C", "temperature to hold")
    _add(parser, "--coldest", "°C", "coldest that the room gets", required=True)
    _add(parser, "--room", "°C", "temperature of the room now")
    _add(parser, "--heater-w", "W", "power of the present heater")
    _add(parser, "--high", "°C", "upper limit of the water")
    _add(parser, "--gain", "W", "heat of pump and light that stays in the water (default 0)", default=0.0)
    fitted = parser.add_argument_group("heat loss, where it is known")
    _add(fitted, "--loss", "W/K", "heat loss to the room")
    _add(fitted, "--loss-uncertainty", "W/K", "its standard uncertainty (default 0)")
    shape = parser.add_argument_group("dimensions, where it is not")
    _add(shape, "--length", "cm", "inner length")
    _add(shape, "--width", "cm", "inner width")
    _add(shape, "--height", "cm", "height of the water")
    _add(shape, "--glass", "mm", "thickness of the glass (default 6)", default=6.0)
    shape.add_argument("--lid", action="store_true", help="a closed lid")
    shape.add_argument(
        "--bare-base", action="store_true", help="the base stands free, without a board or foam"
    )
    _add(shape, "--humidity", "%", "relative humidity of the room (default 50)", type=_share, default=0.5)


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
        volume_l=_need(args.volume, volume, "--volume", "the tank's volume"),
        setpoint_c=_need(args.setpoint, known.setpoint_c, "--setpoint", "the setpoint"),
        coldest_room=args.coldest,
        room_now_c=_either(args.room, known.room_c),
        heater_w=_either(args.heater_w, known.heater_w),
        loss_w_per_k=loss,
        loss_uncertainty_w_per_k=_either(args.loss_uncertainty, uncertainty) or 0.0,
        shape=shape,
        relative_humidity=args.humidity,
        gain_w=args.gain,
        high_c=_either(args.high, known.high_c),
    )


_Options = Callable[[argparse.ArgumentParser], None]
_Work = Callable[[argparse.Namespace, "Known"], "Plan"]
_PLANS: tuple[tuple[str, str, _Options, _Work], ...] = (
    ("change", "a change of water: temperature, largest share, recovery, nitrate", _change_options, _change),
    ("dose", "conditioner for new water, and what skipping it would mean", _dose_options, _dose),
    ("fill", "filling straight from the tap, in lifts, conditioner first", _fill_options, _fill),
    ("ammonia", "an ammonia test against the published criteria", _ammonia_options, _ammonia),
    ("oxygen", "oxygen that the water holds, and in a warm night", _oxygen_options, _oxygen),
    ("filter", "what the feed asks of the filter, and what is spare", _filter_options, _filter),
    ("heater", "the heater for the coldest room, its margin and its faults", _heater_options, _heater),
)
