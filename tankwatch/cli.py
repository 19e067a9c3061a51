"""The commands: parse, call, print.

What a command needs is imported inside it, so that `tankwatch --help` answers at once. Standard output is
data, standard error is narration. Exit status: 0 fine, 1 failed, 2 wrong usage or configuration, 3 something
needs attention, 130 interrupted.
"""

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from tankwatch import __version__
from tankwatch.backtest.cli_replay import add_replay_parser
from tankwatch.care.cli_plan import add_plan_parser
from tankwatch.config_path import AS_VARIABLE
from tankwatch.errors import ConfigError, TankwatchError, UsageError
from tankwatch.listen.cli_listen import add_listen_parser
from tankwatch.notify.cli_acknowledge import add_acknowledge_parser
from tankwatch.review.cli_review import add_review_parser
from tankwatch.store.cli_store import add_store_option
from tankwatch.store.postgres.cli_central import add_central_parser
from tankwatch.transfer.cli_transfer import add_transfer_parsers

if TYPE_CHECKING:
    from tankwatch.config import Config

FINE, FAILED, INTERRUPTED = 0, 1, 130

_ABOUT = """\
A watch over heated fish tanks, linked to their sensors.

Begin with a look at an invented room:  tankwatch demo
Then describe your own in a file and:   tankwatch check tankwatch.toml
                                        tankwatch watch tankwatch.toml
                                        tankwatch screen tankwatch.toml
"""
_CAUTIONS = """\
tankwatch only watches: it switches nothing and is not a safety device. Unplug heaters and lights before
hands or the water level go down; use residual-current protection and drip loops; leave electrical work to a
licensed person under local rules.
"""
_CONFIG_HELP = (
    "configuration file; without it $TANKWATCH_CONFIG, ./tankwatch.toml or ~/.config/tankwatch/tankwatch.toml"
)


def main() -> None:
    """Run the command line and end the process with its exit status."""
    sys.exit(run(sys.argv[1:]))


def run(argv: Sequence[str]) -> int:
    """Run one command; return its exit status."""
    arguments = _parser().parse_args(argv)
    command: Callable[[argparse.Namespace], int] = arguments.command
    if getattr(arguments, "watch_name", None):
        os.environ[AS_VARIABLE] = arguments.watch_name  # read where the configuration is
    try:
        status = command(arguments)
        sys.stdout.flush()
    except TankwatchError as error:
        _narrate(f"tankwatch {arguments.name}: {error}")
        return error.exit_status
    except KeyboardInterrupt:
        _narrate("interrupted")
        return INTERRUPTED
    except BrokenPipeError:
        # Whoever read the output has enough; Python must not fail on it once more while it ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return FINE
    return status


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="tankwatch",
        description=_ABOUT,
        epilog=_CAUTIONS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"tankwatch {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True, dest="name")

    def add(name: str, command: Callable[[argparse.Namespace], int], text: str) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
        sub.set_defaults(command=command)
        return sub

    sub = add("watch", _watch, "watch the tanks: take readings in, judge and keep them, until stopped")
    sub.add_argument("config", metavar="CONFIG", nargs="?", type=Path, help=_CONFIG_HELP)

    sub = add("screen", _screen, "show the room full-screen, attached to the running watch")
    sub.add_argument("config", metavar="CONFIG", nargs="?", type=Path, help=_CONFIG_HELP)
    sub.add_argument("--slow-link", "--slow", action="store_true", help="repaint rarely, for a slow link")
    sub.add_argument(
        "--rooms", action="store_true", help="show all rooms that publish to the broker of [centre]"
    )
    add_store_option(sub)

    sub = add("demo", _demo, "show an invented room with simulated tanks; keeps nothing")
    sub.add_argument("--tanks", metavar="N", type=_count, default=12, help="number of tanks (default 12)")
    sub.add_argument("--headless", action="store_true", help="without the screen; print the alarms instead")
    sub.add_argument(
        "--for", metavar="TIME", dest="duration_s", type=_duration_s, help="end after, e.g. 30s, 5m"
    )

    add_replay_parser(commands)

    sub = add("check", _check, "check the configuration and tell what each tank will be watched for")
    sub.add_argument("config", metavar="CONFIG", nargs="?", type=Path, help=_CONFIG_HELP)
    sub.add_argument("--json", action="store_true", help="print one JSON object")
    sub.add_argument("--schema", action="store_true", help="print the JSON Schema of the file, for editors")
    sub.add_argument("--live", action="store_true", help="connect to everything and wait for each channel")
    sub.add_argument(
        "--for", metavar="TIME", dest="duration_s", type=_duration_s, help="with --live: how long, e.g. 30s"
    )

    add_listen_parser(commands, _duration_s)
    add_plan_parser(commands)
    add_acknowledge_parser(commands)
    add_review_parser(commands)
    add_transfer_parsers(commands)
    add_central_parser(commands)

    for name in ("watch", "screen", "check", "acknowledge", "review", "export", "import", "backup"):
        _add_as(commands.choices[name])
    sub = add("log", _log, "write a line into the care log")
    _add_as(sub)
    sub.add_argument("text", metavar="TEXT", nargs="+", help="what was done or seen; or: calibration ice=0.3")
    sub.add_argument("--config", metavar="CONFIG", type=Path, help=_CONFIG_HELP)
    sub.add_argument("--tank", metavar="ID", help="the tank concerned; without it the whole room")
    sub.add_argument("--kind", metavar="WORD", default="note", help="sort of entry, in a word (default note)")
    sub.add_argument("--who", metavar="NAME", help="who did or saw it (default: your user name)")
    sub.add_argument(
        "--photo",
        metavar="PATH",
        type=Path,
        action="append",
        help="keep the path of a photo; may be repeated",
    )
    return parser


def _add_as(sub: argparse.ArgumentParser) -> None:
    sub.add_argument(
        "--as",
        metavar="NAME",
        dest="watch_name",
        help=f"which watch of a split room (default: ${AS_VARIABLE})",
    )


def _watch(arguments: argparse.Namespace) -> int:
    from tankwatch.config_split import seen_by
    from tankwatch.watch.run import run_watch

    config, _ = _load(arguments.config)
    config = seen_by(config, arguments.watch_name)
    if not config.tank and not (config.centre is not None and config.centre.rooms):
        raise ConfigError(
            "there is no [[tank]] to watch; add one with id, volume_l and setpoint_c, "
            "or for a centre name the rooms that must be heard: [centre] rooms"
        )
    return run_watch(config)


def _screen(arguments: argparse.Namespace) -> int:
    from tankwatch.config_path import find_config

    try:
        find_config(arguments.config)
    except ConfigError as error:
        if not _has_terminal():
            raise
        from tankwatch.screen.run import run_first

        run_first(str(error))
        return error.exit_status
    config, path = _load(arguments.config)
    _need_terminal("screen")
    if arguments.rooms:
        from tankwatch.screen.rooms.run import run_rooms

        run_rooms(config, path, slow=arguments.slow_link, store=arguments.store)
        return FINE
    from tankwatch.config_split import seen_by
    from tankwatch.screen.run import run_screen

    run_screen(seen_by(config, config.watch_name), path, slow=arguments.slow_link, store=arguments.store)
    return FINE


def _demo(arguments: argparse.Namespace) -> int:
    if not arguments.headless:
        if arguments.duration_s is not None:
            raise UsageError("--for needs --headless: you decide how long you look at the screen")
        _need_terminal("demo", "; or use --headless")
    from tankwatch.demo.run import run_demo

    show = None
    if not arguments.headless:

        def show(config: "Config", path: Path) -> None:
            from tankwatch.screen.run import run_screen

            run_screen(config, path, slow=False)

    return run_demo(tanks=arguments.tanks, duration_s=arguments.duration_s, show=show)


def _check(arguments: argparse.Namespace) -> int:
    import json

    from tankwatch.config import Config

    if arguments.schema:
        print(json.dumps(Config.model_json_schema(), indent=2))
        return FINE
    from tankwatch.check import as_lines, report
    from tankwatch.safetext import safe_json

    config, path = _load(arguments.config)
    if arguments.live:
        from tankwatch.listen.cli_live import run_live

        return run_live(config, arguments.duration_s, arguments.json)
    found = report(config, path)
    if arguments.json:
        print(safe_json(found, indent=2))
    else:
        print("\n".join(as_lines(found)))
        for warning in found["warnings"]:
            _narrate(f"warning: {warning}")
    return FINE


def _log(arguments: argparse.Namespace) -> int:
    import getpass

    from tankwatch.watch.note import photos_at, write_note

    config, _ = _load(arguments.config)
    if arguments.tank is not None:
        config.tank_by_id(arguments.tank)
    who = arguments.who or getpass.getuser()
    photos = photos_at(arguments.photo or ())
    if arguments.text[0] == "calibration":
        from tankwatch.watch.calibrate import log_calibration

        if photos:
            raise UsageError("a calibration keeps no photo; write a line of its own for it")
        return log_calibration(config, arguments.tank, arguments.text[1:], who)
    way = write_note(config, arguments.tank, arguments.kind, " ".join(arguments.text), who, photos)
    _narrate(f"written into the care log {way}")
    return FINE


def _load(path: Path | None) -> "tuple[Config, Path]":
    from tankwatch.config import load
    from tankwatch.config_path import find_config

    found = find_config(path)
    return load(found), found


def _has_terminal() -> bool:
    return all(stream.isatty() for stream in (sys.stdin, sys.stdout, sys.stderr))


def _need_terminal(command: str, hint: str = "") -> None:
    if not _has_terminal():
        raise UsageError(f"{command} draws on a terminal, and there is none{hint}")


def _count(text: str) -> int:
    count = int(text)
    if not 1 <= count <= 300:
        raise argparse.ArgumentTypeError(f"expected 1 to 300, got {text}")
    return count


def _duration_s(text: str) -> float:
    units = {"s": 1.0, "m": 60.0, "h": 3600.0}
    number, unit = (text[:-1], text[-1]) if text[-1:] in units else (text, "s")
    try:
        seconds = float(number) * units[unit]
    except ValueError:
        seconds = 0.0
    if not 0.0 < seconds < 1e7:
        raise argparse.ArgumentTypeError(f"expected a time such as 30s, 5m or 2h, got {text!r}")
    return seconds


def _narrate(text: str) -> None:
    from tankwatch.safetext import safe_lines

    print(safe_lines(text), file=sys.stderr)
