"""`tankwatch check --live`: wait for one reading of each channel, send a test by each way, tell what came.

The brokers of `[publish]` and `[centre]`, and the central store of `[forward]`, are tried as well.
"""

import getpass
import grp
import os
import sys
from dataclasses import asdict
from pathlib import Path

from tankwatch.clock import SystemClock
from tankwatch.config import Config, SerialSourceConfig
from tankwatch.errors import ConfigError
from tankwatch.listen.capture import Capture
from tankwatch.listen.live import LiveCheck, Verdict, as_lines
from tankwatch.notify.live_check import WayResult, send_test
from tankwatch.rooms.live_check import try_brokers
from tankwatch.safetext import safe_json, safe_text
from tankwatch.store.postgres.live_check import try_central
from tankwatch.tried import Tried

FINE, NEEDS_ATTENTION = 0, 3
_SHORTEST_S, _LONGEST_S = 15.0, 900.0


def run_live(config: Config, duration_s: float | None, as_json: bool) -> int:
    """Check every channel, way and broker of `config`; return 0, or 3 where something needs attention.

    Raises:
        ConfigError: there is nothing to try.
    """
    has_channels = any(tank.channel for tank in config.tank)
    has_links = any(table is not None for table in (config.publish, config.centre, config.forward))
    if not has_channels and not config.way and not has_links:
        raise ConfigError("there is no [[tank.channel]] to wait for; tankwatch listen finds and writes them")
    ways = _test_ways(config)
    links = _try_links(config) if has_links else []
    verdicts, trouble = _wait_for_channels(config, duration_s) if has_channels else ([], {})
    if as_json:
        record = {
            "channels": [asdict(verdict) for verdict in verdicts],
            "ways": [asdict(way) for way in ways],
            "rooms": [asdict(link) for link in links],
            "trouble": trouble,
        }
        print(safe_json(record, indent=2))
    else:
        told = [f"{'fine' if way.ok else 'FAILED'}  way {way.way} ({way.kind}): {way.detail}" for way in ways]
        told += [f"{'fine' if link.ok else 'FAILED'}  {link.table}: {link.detail}" for link in links]
        print("\n".join([*as_lines(verdicts), *(safe_text(line, 500) for line in told)]))
    results = [*(way.ok for way in ways), *(link.ok for link in links)]
    is_fine = all(v.fine for v in verdicts) and all(results)
    return FINE if is_fine else NEEDS_ATTENTION


def _try_links(config: Config) -> list[Tried]:
    """Try what other places use, or what this one hears them by."""
    names = [name for name in ("publish", "centre", "forward") if getattr(config, name) is not None]
    print(f"trying {', '.join(f'[{name}]' for name in names)}", file=sys.stderr, flush=True)
    return [*try_brokers(config), *try_central(config)]


def _test_ways(config: Config) -> list[WayResult]:
    """Send a test message by every way; people who get it are told that it is one."""
    if not config.way:
        return []
    names = ", ".join(way.id for way in config.way)
    print(f"sending a test message by: {names}", file=sys.stderr, flush=True)
    return send_test(config)


def _wait_for_channels(config: Config, duration_s: float | None) -> tuple[list[Verdict], dict[str, str]]:
    """Connect to every source and wait for one reading of each channel."""
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
    return check.verdicts(clock.wall_s(), clock.monotonic_s() - began_s, trouble), trouble


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
