"""The command `acknowledge`: say by a message's short code, or an alarm's number, that it has been seen."""

import argparse
import sys
from pathlib import Path
from typing import Any

from tankwatch.errors import ControlError


def add_acknowledge_parser(subparsers: Any) -> argparse.ArgumentParser:
    """Add `acknowledge` to the commands of `tankwatch`; return its parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "acknowledge",
        help="say that the alarms of a message have been seen, by its code",
        description="Say that the alarms of a message have been seen, by the code in it, or one alarm by its "
        "number. Repeats and escalation end; the alarm stands until its cause is gone.",
    )
    parser.add_argument("code", metavar="CODE", help="the code of the message, or the number of an alarm")
    parser.add_argument("--config", metavar="CONFIG", type=Path, help="configuration file")
    parser.add_argument("--who", metavar="NAME", help="who has seen it (default: your user name)")
    parser.set_defaults(command=run_acknowledge)
    return parser


def run_acknowledge(args: argparse.Namespace) -> int:
    """Ask the running watch; return 0.

    Raises:
        ControlError: no watch runs, or it refuses the code.
        ConfigError: the configuration cannot be used.
    """
    import getpass

    from pydantic import ValidationError

    from tankwatch.config import load
    from tankwatch.config_path import find_config
    from tankwatch.control.client import ControlClient
    from tankwatch.control.path import socket_path
    from tankwatch.control.protocol import Acknowledge, AcknowledgeCode

    who = args.who or getpass.getuser()
    try:
        # Codes have six places: so many digits are no number of an alarm that stands.
        if args.code.isdecimal() and len(args.code) < 6:
            request: Acknowledge | AcknowledgeCode = Acknowledge(alarm_id=int(args.code), who=who)
        else:
            request = AcknowledgeCode(code=args.code, who=who)
    except ValidationError as error:
        raise ControlError(f"{args.code[:40]!r} is neither a code nor the number of an alarm") from error
    config = load(find_config(args.config))
    ControlClient(socket_path(config)).request(request)
    print("acknowledged", file=sys.stderr)
    return 0
