"""The command `replay`: one file of readings step by step, or long recordings of one room or of many."""

import argparse
import contextlib
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from tankwatch.errors import UsageError

if TYPE_CHECKING:
    from tankwatch.backtest.task import RoomResult

_SHOWN_REFUSALS = 10
_SHOWN_UNKNOWN = 10

_ABOUT = """\
Judge recorded readings, through the same watchdog as a running watch, and print each step of every alarm.

READINGS may be one file with a SenML pack a line (- for standard input), Parquet files as export writes
them, or a folder of such; --store takes the readings of a store instead. Parquet files, a store, several
rooms and comparisons give a table of alarms by condition and tank; --json gives lines for programs. The
watchdog begins with nothing learned: of the first day only limits, rates and silence are told.
"""


def add_replay_parser(subparsers: Any) -> argparse.ArgumentParser:
    """Add `replay` to the commands of `tankwatch`; return its parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "replay",
        help="judge recorded readings and print each step of every alarm",
        description=_ABOUT,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("config", metavar="CONFIG", type=Path, help="configuration file")
    parser.add_argument(
        "readings", metavar="READINGS", nargs="*", help="a file of SenML lines, -, Parquet files or a folder"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object a line")
    parser.add_argument(
        "--store",
        metavar="WHERE",
        nargs="?",
        const="",
        help="take the readings of a store: its path, or postgresql://USER@HOST/DATABASE; without WHERE "
        "that of each configuration",
    )
    parser.add_argument("--from", metavar="TIME", dest="begin", help="begin, local or with an offset")
    parser.add_argument("--to", metavar="TIME", dest="end", help="end")
    parser.add_argument(
        "--room",
        metavar=("CONFIG", "READINGS"),
        nargs="+",
        action="append",
        default=[],
        help="another room with its readings (none with --store); may be repeated",
    )
    parser.add_argument(
        "--against",
        metavar="OTHER",
        type=Path,
        action="append",
        default=[],
        help="tell which alarms would be new, gone, earlier or later with this configuration; "
        "for several rooms once for each, in their order",
    )
    work = parser.add_mutually_exclusive_group()
    work.add_argument("--jobs", metavar="N", type=_jobs, help="rooms at a time (default: one a core)")
    work.add_argument("--cluster", metavar="ADDRESS", help="judge on the workers of a Dask scheduler")
    parser.set_defaults(command=run_replay)
    return parser


def run_replay(args: argparse.Namespace) -> int:
    """Judge the readings; return the exit status.

    Raises:
        UsageError: what is asked for makes no sense, or a file cannot be used.
        ConfigError: a configuration cannot be used.
        StoreError: a store cannot be read.
        BacktestError: a room could not be judged.
    """
    if _is_plain(args):
        return _replay_lines(args)
    from tankwatch.backtest.compare import compared
    from tankwatch.backtest.rooms import rooms_asked_for, tasks_for
    from tankwatch.backtest.run import judge_rooms
    from tankwatch.backtest.tables import alarm_table, change_lines, change_table, step_lines
    from tankwatch.transfer.progress import ShareLine

    rooms = rooms_asked_for(args)
    tasks = tasks_for(rooms, keep_lines=args.json and not args.against)
    line = ShareLine("judged")

    def on_room(result: "RoomResult") -> None:
        line.done()
        _narrate(f"{result.room}: {result.readings:,} reading(s), {len(result.episodes):,} alarm(s)")

    try:
        results = judge_rooms(
            tasks, jobs=args.jobs or _cores(), cluster=args.cluster, on_progress=line, on_room=on_room
        )
    finally:
        line.done()
    for result in results:
        _tell_left_out(result)
    if not args.against:
        lines = step_lines(results) if args.json else alarm_table(results)
    else:
        before, after = results[: len(rooms)], results[len(rooms) :]
        matters = [
            (old.room, matter)
            for old, new in zip(before, after, strict=True)
            for matter in compared(old.episodes, new.episodes)
        ]
        matters.sort(key=lambda item: item[1].first.begin_s)
        lines = (
            change_lines(matters)
            if args.json
            else change_table(
                matters,
                ", ".join(str(room.config_path) for room in rooms),
                ", ".join(map(str, args.against)),
                several=len(rooms) > 1,
            )
        )
    for text in lines:
        print(text)
    return 0


def _is_plain(args: argparse.Namespace) -> bool:
    """Tell whether one file of SenML lines is to be judged step by step."""
    options = (args.store, args.begin, args.end, args.jobs, args.cluster)
    if args.room or args.against or any(option is not None for option in options):
        return False
    if len(args.readings) != 1:
        return False
    name = args.readings[0]
    return name == "-" or not (Path(name).is_dir() or Path(name).suffix.lower() in (".parquet", ".pq"))


def _replay_lines(args: argparse.Namespace) -> int:
    from tankwatch.config import load
    from tankwatch.printing import step_as_json, step_as_text
    from tankwatch.watchdog.replay import replay

    config = load(args.config)
    show = step_as_json if args.json else step_as_text
    name = args.readings[0]
    refused = 0

    def on_refused(number: int, reason: str) -> None:
        nonlocal refused
        refused += 1
        if refused <= _SHOWN_REFUSALS:
            _narrate(f"line {number}: {reason}")

    try:
        with _opened(name) as lines:
            for step in replay(config, lines, on_refused=on_refused):
                print(show(step))
    except OSError as error:
        if isinstance(error, BrokenPipeError):
            raise
        raise UsageError(f"{name}: cannot be read: {error.strerror}") from error
    if refused:
        _narrate(f"{refused} line(s) or record(s) refused")
    return 0


def _opened(name: str) -> "contextlib.AbstractContextManager[BinaryIO]":
    return contextlib.nullcontext(sys.stdin.buffer) if name == "-" else Path(name).open("rb")


def _tell_left_out(result: "RoomResult") -> None:
    for reason, count in result.refused.most_common(_SHOWN_REFUSALS):
        _narrate(f"{result.room}: left out, {count:,} time(s): {reason}")
    unknown = sorted(result.unknown.items(), key=lambda item: (-item[1], item[0]))
    for tank, count in unknown[:_SHOWN_UNKNOWN]:
        _narrate(
            f"{result.room}: {count:,} reading(s) of tank {tank!r}, which the configuration does not have"
        )


def _jobs(text: str) -> int:
    jobs = int(text)
    if not 1 <= jobs <= 1024:
        raise argparse.ArgumentTypeError(f"expected 1 to 1024, got {text}")
    return jobs


def _cores() -> int:
    import os

    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _narrate(text: str) -> None:
    from tankwatch.safetext import safe_text

    print(safe_text(text, 300), file=sys.stderr)
