"""The command `review`: which stretch, which tanks, and in what form."""

import argparse
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tankwatch.errors import UsageError
from tankwatch.store.cli_store import add_store_option, reader_for

if TYPE_CHECKING:
    from tankwatch.config import Config, RoomConfig
    from tankwatch.review.span import Span

NEEDS_ATTENTION = 3


def add_review_parser(subparsers: Any) -> argparse.ArgumentParser:
    """Add `review` to the commands of `tankwatch`; return its parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "review",
        help="tell what happened last night, or over any stretch",
        description="Tell what happened last night, or over any stretch, from the store. "
        "Exit status 3 when something needs attention.",
    )
    parser.add_argument("config", metavar="CONFIG", nargs="?", type=Path, help="configuration file")
    parser.add_argument("--night", metavar="DATE", help="the night that began on that evening")
    parser.add_argument(
        "--hours", metavar="FROM-TO", help="local hours of a night; without it those of the configuration"
    )
    parser.add_argument("--from", metavar="TIME", dest="begin", help="begin, local or with an offset")
    parser.add_argument("--to", metavar="TIME", dest="end", help="end; without it now")
    parser.add_argument(
        "--weeks", metavar="N", type=int, help="the last N weeks instead: heat loss, heater, light, drift"
    )
    add_store_option(parser)
    parser.add_argument("--tank", metavar="ID", action="append", help="only this tank; may be repeated")
    parser.add_argument("--alarms", action="store_true", help="add the figures of the alarms themselves")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument("--html", metavar="FILE", type=Path, help="write a page for reading and printing")
    parser.set_defaults(command=run_review)
    return parser


def run_review(args: argparse.Namespace) -> int:
    """Print or write the review; return 0, or 3 when something needs attention.

    Raises:
        UsageError: the stretch makes no sense, or the page cannot be written.
        ConfigError: the configuration or a tank cannot be used.
        StoreError: the store cannot be read.
    """
    from tankwatch.clock import SystemClock
    from tankwatch.config import load
    from tankwatch.config_path import find_config
    from tankwatch.review.review import review_room

    config = load(find_config(args.config))
    now_s = SystemClock().wall_s()
    if args.weeks is not None:
        return _review_weeks(args, config, now_s)
    span = _span(args, now_s, config.room)
    review = review_room(config, reader_for(args, config), span, now_s, args.tank)
    if args.html is not None:
        from tankwatch.review.page import write_page

        write_page(review, args.html)
    if args.json:
        from tankwatch.review.report_json import as_json
        from tankwatch.safetext import safe_json

        print(safe_json(as_json(review), indent=2))
    elif args.html is None:
        from tankwatch.review.report_text import text_lines

        print("\n".join(text_lines(review, alarms=args.alarms)))
    return NEEDS_ATTENTION if review.needs_attention else 0


def _review_weeks(args: argparse.Namespace, config: "Config", now_s: float) -> int:
    from tankwatch.review.weeks import MOST_WEEKS, review_weeks

    others = {"--night": args.night, "--from": args.begin, "--to": args.end, "--hours": args.hours}
    given = [name for name, value in others.items() if value is not None] + ["--alarms"] * args.alarms
    if given:
        raise UsageError(f"--weeks ends with yesterday and covers whole days: leave {given[0]} away")
    if not 1 <= args.weeks <= MOST_WEEKS:
        raise UsageError(f"expected 1 to {MOST_WEEKS} weeks, got {args.weeks}")
    review = review_weeks(config, reader_for(args, config), args.weeks, now_s, args.tank)
    if args.html is not None:
        from tankwatch.review.page_shell import write_pieces
        from tankwatch.review.weeks_page import weeks_page

        write_pieces(weeks_page(review), args.html)
    if args.json:
        from tankwatch.review.weeks_words import weeks_json
        from tankwatch.safetext import safe_json

        print(safe_json(weeks_json(review), indent=2))
    elif args.html is None:
        from tankwatch.review.weeks_words import weeks_lines

        print("\n".join(weeks_lines(review)))
    return NEEDS_ATTENTION if review.needs_attention else 0


def _span(args: argparse.Namespace, now_s: float, room: "RoomConfig") -> "Span":
    from tankwatch.review.span import day_of, last_night, night_of, span_between

    zone, hours = room.zone, room.night
    if args.hours is not None:
        found = re.fullmatch(r"((?:[01]\d|2[0-3]):[0-5]\d)-((?:[01]\d|2[0-3]):[0-5]\d)", args.hours)
        if found is None:
            raise UsageError(f"expected the hours of a night such as 20:00-08:00, got {args.hours!r}")
        hours = (found[1], found[2])
    if args.begin is not None or args.end is not None:
        if args.night is not None:
            raise UsageError("--night names a whole night: leave --from and --to away, or --night")
        return span_between(args.begin, args.end, now_s, zone)
    if args.night is not None:
        return night_of(day_of(args.night), zone, hours)
    return last_night(now_s, zone, hours)
