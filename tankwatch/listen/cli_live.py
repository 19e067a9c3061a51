"""`tankwatch check --live`: connect to every source, wait for one reading of each channel, tell what came."""

import getpass
import grp
import json
import os
import sys
from dataclasses import asdict
from pathlib import Path

from tankwatch.clock import SystemClock
from tankwatch.config import Config, SerialSourceConfig
from tankwatch.errors import ConfigError
from tankwatch.listen.capture import Capture
from tankwatch.listen.live import LiveCheck, as_lines

FINE, NEEDS_ATTENTION = 0, 3
_SHORTEST_S, _LONGEST_S = 15.0, 900.0


def run_live(config: Config, duration_s: float | None, as_json: bool) -> int:
    """Check every channel of `config`; return 0, or 3 where something needs attention.

    Raises:
        ConfigError: no channel is configured.
    """
    if not any(tank.channel for tank in config.tank):
        raise ConfigError("there is no [[tank.channel]] to wait for; tankwatch listen finds and writes them")
    clock = SystemClock()
    waiting_s = duration_s or _patience_s(config)
    print(f"waiting up to {waiting_s:.0f} s for one reading of each channel", file=sys.stderr, flush=True)
    check, capture = LiveCheck(config), Capture(clock)
    began_s = clock.monotonic_s()
    try:
        for source in config.source:
            capture.everything_of(source, check.filters(source.id))
        for arrival in capture.arrivals(waiting_s):
            check.take(arrival)
            if check.complete:
                break
    finally:
        capture.stop()
    trouble = {key: _with_group(config, key, text) for key, text in capture.trouble.items()}
    verdicts = check.verdicts(clock.wall_s(), clock.monotonic_s() - began_s, trouble)
    if as_json:
        print(
            json.dumps(
                {"channels": [asdict(v) for v in verdicts], "trouble": trouble}, ensure_ascii=False, indent=2
            )
        )
    else:
        print("\n".join(as_lines(verdicts)))
    return FINE if all(verdict.fine for verdict in verdicts) else NEEDS_ATTENTION


def _patience_s(config: Config) -> float:
    """Return three intervals of the slowest probe, within reason."""
    longest_s = max(tank.probe_interval_s for tank in config.tank)
    return min(max(3.0 * longest_s, _SHORTEST_S), _LONGEST_S)


def _with_group(config: Config, source_id: str, trouble: str) -> str:
    source = next(source for source in config.source if source.id == source_id)
    if not isinstance(source, SerialSourceConfig) or source.port is None:
        return trouble
    if "permission denied" in trouble:
        return f"{source.port}: permission denied; {group_hint(Path(source.port))}"
    if "in use" in trouble:
        return f"{trouble}; if that is the watch, stop it for this check"
    return trouble


def group_hint(port: Path) -> str:
    """Return what to do to be let in to `port`: the group to join, and how."""
    user = getpass.getuser()
    try:
        found = os.stat(port)
        group = grp.getgrgid(found.st_gid).gr_name
    except (OSError, KeyError):
        return (
            f"join the group that owns it, often dialout: sudo usermod -aG dialout {user}, then log in anew"
        )
    if not found.st_mode & 0o060:
        return f"its group {group} may not read it either: correct its mode, or the udev rule that sets it"
    return f"it belongs to the group {group}: sudo usermod -aG {group} {user}, then log in anew"
