"""The command `plan`: options in, a plan printed. What a plan needs is imported when it is asked for."""

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tankwatch.care import plan_tank, plan_water
from tankwatch.errors import UsageError

if TYPE_CHECKING:
    from tankwatch.care.known import Known
    from tankwatch.care.plan import Plan

_PLANS = (*plan_water.PLANS, *plan_tank.PLANS)


def add_plan_parser(subparsers: Any) -> argparse.ArgumentParser:
    """Add `plan` with its own sub-commands to the commands of `tankwatch`; return its parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "plan",
        help="work out the sums of the care: change, dose, fill, ammonia, oxygen, filter, heater",
        description="Work out the sums of the care of a tank, with assumptions, working and cautions.",
    )
    plans = parser.add_subparsers(title="plans", metavar="PLAN", required=True, dest="plan")
    for plan in _PLANS:
        about = plan.text[0].upper() + plan.text[1:] + "."
        sub = plans.add_parser(plan.name, help=plan.text, description=about)
        sub.set_defaults(command=run_plan)
        known = sub.add_argument_group("a tank that tankwatch knows")
        known.add_argument("--tank", metavar="ID", help="take what is not given from this tank")
        known.add_argument("--config", metavar="CONFIG", type=Path, help="configuration file")
        sub.add_argument("--json", action="store_true", help="print one JSON object")
        plan.add_options(sub)
    return parser


def run_plan(args: argparse.Namespace) -> int:
    """Print the plan that was asked for; return the exit status.

    Raises:
        UsageError: something is missing or makes no sense.
        ConfigError: the configuration or the tank cannot be used.
    """
    command = next(command for command in _PLANS if command.name == args.plan)
    plan = command.work(args, _known(args))
    if args.json:
        from tankwatch.safetext import safe_json

        print(safe_json(plan.as_dict(), indent=2))
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
