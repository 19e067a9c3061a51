"""The plans of new water as commands: change, dose and fill."""

import argparse
from typing import TYPE_CHECKING

from tankwatch.care.plan_options import PlanCommand, add, as_share, either, need
from tankwatch.errors import UsageError

if TYPE_CHECKING:
    from tankwatch.care.conditioner import Conditioner
    from tankwatch.care.known import Known
    from tankwatch.care.plan import Plan
    from tankwatch.care.tap_water import TapWater

_CHEMICALS = (
    "thiosulfate",
    "thiosulfate-anhydrous",
    "ascorbic-acid",
    "sodium-ascorbate",
    "bisulfite",
    "metabisulfite",
    "sulfite",
)


def _change_options(parser: argparse.ArgumentParser) -> None:
    add(parser, "--volume", "L", "water in the tank")
    add(parser, "--water", "°C", "temperature of the tank")
    add(parser, "--new", "°C", "temperature of the new water")
    amount = parser.add_mutually_exclusive_group()
    add(amount, "--percent", "%", "share to change; without it the season's usual share", type=as_share)
    add(amount, "--litres", "L", "amount to change, instead of --percent")
    add(parser, "--limit", "K", "largest change of temperature (default 1.5)")
    parser.add_argument("--season", choices=["summer", "winter", "between"], help="season of the change")
    add(parser, "--heater-w", "W", "effective power of the heater")
    add(parser, "--loss", "W/K", "heat loss to the room")
    add(parser, "--room", "°C", "temperature of the room")
    add(parser, "--hot", "°C", "hot tap, to mix the new water")
    add(parser, "--cold", "°C", "cold tap, to mix the new water")
    nitrate = parser.add_argument_group("nitrate over repeated changes (all in the same unit, mg/L)")
    add(nitrate, "--nitrate", "mg/L", "nitrate now: tells what the routine does to it instead")
    add(nitrate, "--tap-nitrate", "mg/L", "nitrate of the tap (default 0)", default=0.0)
    add(nitrate, "--nitrate-grows", "mg/L", "growth between two changes (default 0)", default=0.0)
    add(nitrate, "--nitrate-target", "mg/L", "where to bring it")


def _change(args: argparse.Namespace, known: "Known") -> "Plan":
    from tankwatch.care.change import plan_change
    from tankwatch.care.dilution import plan_dilution
    from tankwatch.care.season import ChangeShares, Season

    season = Season(args.season) if args.season else known.season or Season.BETWEEN
    share = args.percent
    if args.litres is not None:
        volume_l = need(args.volume, known.volume_l, "--volume", "the tank's volume")
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
        volume_l=need(args.volume, known.volume_l, "--volume", "the tank's volume"),
        water_c=need(args.water, known.water_c, "--water", "the tank's temperature"),
        new_water_c=need(args.new, None, "--new", "the new water's temperature"),
        share=share,
        limit_k=need(args.limit, known.limit_k or 1.5, "--limit", "the limit of change"),
        low_c=known.low_c,
        high_c=known.high_c,
        season=season,
        heater_w=either(args.heater_w, known.heater_w),
        loss_w_per_k=either(args.loss, known.loss_w_per_k),
        room_c=either(args.room, known.room_c),
        hot_tap_c=args.hot,
        cold_tap_c=args.cold,
    )


def _conditioner_options(parser: argparse.ArgumentParser) -> None:
    label = parser.add_argument_group("conditioner by its label")
    add(label, "--label-ml", "mL", "dose that the label gives …")
    add(label, "--label-l", "L", "… for this much water")
    add(label, "--label-treats", "mg/L", "chlorine (as Cl2) that this dose treats, if the label says so")
    add(label, "--label-max", "mL/L", "most that the label allows in a day, per litre of tank")
    plain = parser.add_argument_group("conditioner as a plain chemical")
    plain.add_argument("--chemical", choices=_CHEMICALS, help="by its reaction, on the safe side")
    add(plain, "--purity", "%", "purity of the powder (default 100)", type=as_share, default=1.0)
    add(plain, "--solution", "g/L", "powder in one litre of stock solution; without it powder is dosed")
    tap = parser.add_argument_group("tap water at its worst, from the supplier")
    tap.add_argument("--tap", choices=["chlorine", "chloramine"], default="chloramine", help="(default)")
    add(tap, "--tap-level", "mg/L", "highest level the supplier may dose (default 4.0 as Cl2)")
    tap.add_argument(
        "--tap-as", choices=["cl2", "nh2cl"], default="cl2", help="what the level is counted as (default cl2)"
    )
    add(parser, "--ph", "pH", "pH of the tank (default 8.0)", default=8.0)
    add(parser, "--water", "°C", "temperature of the tank")
    add(parser, "--given", "mL", "conditioner given today already", default=0.0)


def _conditioner(args: argparse.Namespace, known: "Known") -> "Conditioner":
    """Return the conditioner of the options, else the tank's own, whose maximum is that bottle's only."""
    from tankwatch.care.conditioner import ChemicalDose, LabelDose

    by_label = args.label_ml is not None or args.label_l is not None
    own = known.conditioner_ml_per_l
    if own is not None and not by_label and args.chemical is None:
        most = either(args.label_max, known.conditioner_max_ml_per_l)
        return LabelDose(own, 1.0, args.label_treats, most)
    if by_label == (args.chemical is not None):
        raise UsageError("say which conditioner: --label-ml with --label-l, or --chemical")
    if args.chemical is not None:
        return ChemicalDose.named(args.chemical, args.purity, args.solution)
    if args.label_ml is None or args.label_l is None:
        raise UsageError("a label's dose needs both --label-ml and --label-l")
    return LabelDose(args.label_ml, args.label_l, args.label_treats, args.label_max)


def _tap(args: argparse.Namespace) -> "TapWater":
    from tankwatch.care.tap_water import Disinfectant, TapWater

    if args.tap_as == "nh2cl":
        if args.tap != "chloramine" or args.tap_level is None:
            raise UsageError("--tap-as nh2cl counts chloramine: give --tap chloramine and --tap-level")
        return TapWater.of_chloramine_as_nh2cl(args.tap_level)
    if args.tap_level is None:
        return TapWater(Disinfectant(args.tap))
    return TapWater(Disinfectant(args.tap), args.tap_level)


def _dose_options(parser: argparse.ArgumentParser) -> None:
    add(parser, "--volume", "L", "water in the full tank")
    add(parser, "--new", "L", "new water")
    parser.add_argument(
        "--into",
        choices=["tank", "bucket"],
        default="tank",
        help="where the new water meets the conditioner (default tank: filled directly)",
    )
    _conditioner_options(parser)


def _dose(args: argparse.Namespace, known: "Known") -> "Plan":
    from tankwatch.care.dosing import plan_dose

    return plan_dose(
        conditioner=_conditioner(args, known),
        tank_l=need(args.volume, known.volume_l, "--volume", "the tank's volume"),
        new_l=need(args.new, None, "--new", "the amount of new water"),
        direct=args.into == "tank",
        tap=_tap(args),
        ph=args.ph,
        temperature_c=need(args.water, known.water_c or 25.0, "--water", "the tank's temperature"),
        given_today_ml=args.given,
    )


def _fill_options(parser: argparse.ArgumentParser) -> None:
    add(parser, "--volume", "L", "water in the full tank")
    add(parser, "--fill", "L", "water to run in")
    add(parser, "--length", "cm", "inner length of the tank")
    add(parser, "--width", "cm", "inner width of the tank")
    add(parser, "--footprint", "cm²", "footprint, instead of length and width")
    add(parser, "--lift", "cm", "height of one lift (default 5)")
    add(parser, "--new", "°C", "temperature of the new water")
    add(parser, "--limit", "K", "largest change of temperature (default 1.5)")
    _conditioner_options(parser)


def _fill(args: argparse.Namespace, known: "Known") -> "Plan":
    from tankwatch.care.filling import DEFAULT_LIFT_CM, plan_fill

    footprint = args.footprint
    if footprint is None:
        length_cm, width_cm = either(args.length, known.length_cm), either(args.width, known.width_cm)
        if length_cm is None or width_cm is None:
            raise UsageError("the footprint is not known: give --length and --width, or --footprint")
        footprint = length_cm * width_cm if length_cm > 0 < width_cm else 0.0
    return plan_fill(
        conditioner=_conditioner(args, known),
        tank_l=need(args.volume, known.volume_l, "--volume", "the tank's volume"),
        fill_l=need(args.fill, None, "--fill", "the amount of water"),
        footprint_cm2=footprint,
        lift_cm=need(args.lift, known.lift_cm or DEFAULT_LIFT_CM, "--lift", "the height of a lift"),
        tap=_tap(args),
        given_today_ml=args.given,
        ph=args.ph,
        water_c=either(args.water, known.water_c),
        new_water_c=args.new,
        limit_k=need(args.limit, known.limit_k or 1.5, "--limit", "the limit of change"),
    )


PLANS = (
    PlanCommand(
        "change", "a change of water: temperature, largest share, recovery, nitrate", _change_options, _change
    ),
    PlanCommand("dose", "conditioner for new water, and what skipping it would mean", _dose_options, _dose),
    PlanCommand("fill", "filling straight from the tap, in lifts, conditioner first", _fill_options, _fill),
)
