"""The command `listen`: what to listen to, for how long, and what was heard."""

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tankwatch.errors import UsageError

if TYPE_CHECKING:
    from tankwatch.config import SourceConfig

_W1_PATH = Path("/sys/bus/w1/devices")


def add_listen_parser(subparsers: Any, duration_s: Any) -> argparse.ArgumentParser:
    """Add `listen` to the commands; `duration_s` turns words such as 30s into seconds. Return its parser."""
    text = "listen to a broker, serial ports or a 1-wire bus, and propose a configuration"
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "listen",
        help=text,
        description=text[0].upper()
        + text[1:]
        + ". Without an option: a broker on this machine, every serial "
        "port and the 1-wire bus. What was heard goes to standard error, the configuration to standard "
        "output: tankwatch listen > tankwatch.toml",
    )
    parser.set_defaults(command=run_listen)
    parser.add_argument("--broker", metavar="HOST[:PORT]", help="an MQTT broker")
    parser.add_argument(
        "--username", metavar="NAME", help="user at the broker; its password in TANKWATCH_PASSWORD_BROKER"
    )
    parser.add_argument("--tls", action="store_true", help="encrypt the connection to the broker")
    parser.add_argument(
        "--topic", metavar="FILTER", action="append", help="topics, with wildcards (default #)"
    )
    parser.add_argument("--serial", metavar="PORT", nargs="?", const="", help="a serial port, or all of them")
    parser.add_argument(
        "--baud", metavar="N", type=int, default=115_200, help="speed of the ports (default 115200)"
    )
    parser.add_argument(
        "--onewire", metavar="PATH", nargs="?", const=_W1_PATH, type=Path, help="a 1-wire bus"
    )
    parser.add_argument(
        "--config", metavar="CONFIG", type=Path, help="listen to the sources of this file instead"
    )
    parser.add_argument(
        "--for", metavar="TIME", dest="duration_s", type=duration_s, default=30.0, help="default 30s"
    )
    parser.add_argument("--json", action="store_true", help="print all that was heard as one JSON object")
    return parser


def run_listen(arguments: argparse.Namespace) -> int:
    """Listen and print; return the exit status: 0, or 1 where nothing at all was heard.

    Raises:
        UsageError: there is nothing to listen to.
    """
    from tankwatch.listen.capture import Capture
    from tankwatch.listen.listen import Listening, as_lines
    from tankwatch.listen.tables import source_table
    from tankwatch.safetext import safe_json

    sources = _sources(arguments)
    if not sources:
        raise UsageError("there is nothing to listen to: no serial port and no 1-wire bus; try --broker HOST")
    names = ", ".join(source.id for source in sources)
    _say(f"listening to {names} for {arguments.duration_s:g} s (Ctrl+C ends it early)")
    capture, listening = Capture(), Listening()
    for source in sources:
        capture.everything_of(source, arguments.topic or ("#",))
    try:
        for arrival in capture.arrivals(arguments.duration_s):
            listening.take(arrival)
    except KeyboardInterrupt:
        _say("that was enough")
    finally:
        capture.stop()
    report = listening.report([source_table(source) for source in sources])
    report["trouble"] = dict(capture.trouble)
    for source_id, trouble in capture.trouble.items():
        _say(f"{source_id}: {trouble}")
    if arguments.json:
        print(safe_json(report, indent=2))
    else:
        for line in as_lines(report):
            _say(line)
        if report["configuration"]:
            print(report["configuration"], end="")
        else:
            _say("no stream looks like the water of a tank; to read one all the same, see configs/")
    return 0 if report["streams"] else 1


def _sources(arguments: argparse.Namespace) -> "list[SourceConfig]":
    from tankwatch.config import MqttSourceConfig, load
    from tankwatch.listen.places import bus_source, port_sources

    if arguments.config is not None:
        return list(load(arguments.config).source)
    asked = arguments.broker is not None or arguments.serial is not None or arguments.onewire is not None
    sources: list[SourceConfig] = []
    if arguments.broker is not None or not asked:
        host, port = _host_and_port(arguments.broker or "127.0.0.1", 8883 if arguments.tls else 1883)
        sources.append(
            MqttSourceConfig(
                id="broker", kind="mqtt", host=host, port=port, tls=arguments.tls, username=arguments.username
            )
        )
    if arguments.serial is not None or not asked:
        sources += port_sources(arguments.serial or "", arguments.baud)
    if arguments.onewire is not None or (not asked and _W1_PATH.is_dir()):
        sources.append(bus_source(arguments.onewire or _W1_PATH))
    return sources


def _host_and_port(text: str, default: int) -> tuple[str, int]:
    host, colon, port = text.rpartition(":")
    if not colon or "]" in port:
        return text.strip("[]"), default
    if not port.isascii() or not port.isdigit() or not 0 < int(port) < 65536:
        raise UsageError(f"--broker: expected HOST or HOST:PORT, got {text!r}")
    return host.strip("[]"), int(port)


def _say(text: str) -> None:
    from tankwatch.safetext import safe_lines

    print(safe_lines(text), file=sys.stderr, flush=True)
