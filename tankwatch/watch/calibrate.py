"""`tankwatch log calibration`: a calibration into the care log, and what it means for the configuration."""

import contextlib
import sys
from collections.abc import Iterator, Sequence

from tankwatch.care import calibration
from tankwatch.clock import SystemClock
from tankwatch.config import ChannelConfig, Config, TankConfig
from tankwatch.errors import UsageError
from tankwatch.reading import Channel
from tankwatch.store.reader import StoreReader
from tankwatch.watch.note import write_note


def log_calibration(config: Config, tank_id: str | None, words: Sequence[str], who: str) -> int:
    """Write the calibration that `words` tell of, and print the keys of the channel that follow; return 0.

    The entry keeps the probe's own readings, before any correction of the configuration, so that later ones
    can be compared with it.

    Raises:
        UsageError: no tank, or words that are no calibration.
        ConfigError: there is no such tank.
    """
    if tank_id is None:
        raise UsageError("whose probe was it? add --tank ID")
    tank = config.tank_by_id(tank_id)
    channel = next((c for c in tank.channel if c.kind is Channel.TEMPERATURE), None)
    now_s = SystemClock().wall_s()
    own = _of_the_probe_itself(calibration.parse(words, now_s), channel)
    earlier = None if _changes_unit(channel) else _newest(config, tank_id)
    text = calibration.text_of(own)
    way = write_note(config, tank_id, calibration.KIND, text, who)
    print(f"written into the care log {way}", file=sys.stderr)
    print("\n".join(_lines(tank, channel, own, earlier)))
    return 0


def _changes_unit(channel: ChannelConfig | None) -> bool:
    """Return whether the channel's scale is no correction but makes degrees of tenths or Fahrenheit."""
    low, high = calibration.SCALE_RANGE
    return channel is not None and not low <= channel.scale <= high


def _of_the_probe_itself(
    shown: calibration.Calibration, channel: ChannelConfig | None
) -> calibration.Calibration:
    """Return the calibration with what the probe says before the configuration corrects it."""
    if channel is None or _changes_unit(channel):
        return shown
    points = (
        calibration.Point(
            point.reference_c, (point.reading_c - channel.offset_c) / channel.scale, point.reference_u_k
        )
        for point in shown.points
    )
    return calibration.Calibration(shown.time_s, tuple(points))


def _newest(config: Config, tank_id: str) -> calibration.Calibration | None:
    """Return the newest calibration in the log of a tank."""
    if not config.store.path.exists():
        return None
    found = None
    for entry in StoreReader(config.store.path).log(tank=tank_id, kind=calibration.KIND):
        with contextlib.suppress(UsageError):  # written by hand, in other words
            found = calibration.parse(entry.text.split(), entry.time_s)
    return found


def _lines(
    tank: TankConfig,
    channel: ChannelConfig | None,
    own: calibration.Calibration,
    earlier: calibration.Calibration | None,
) -> Iterator[str]:
    at_c = (tank.setpoint_c - own.offset_c) / own.scale
    scale, offset_c = own.scale, own.offset_c
    if channel is not None and _changes_unit(channel):
        scale, offset_c = own.after(channel.scale, channel.offset_c)
    yield f"Put into the temperature channel of tank {tank.id}:"
    if own.scale_u is not None:
        yield f"scale = {scale:.6f}        # correction {own.scale:.5f} ± {own.scale_u:.5f}"
    elif scale != 1.0:
        yield f"scale = {scale:.6f}"
    elif channel is not None and channel.scale != 1.0:
        yield "# take its scale out: one point says nothing of it"
    yield f"offset_c = {offset_c:.3f}"
    yield (
        f"At the setpoint, {tank.setpoint_c:g} °C, that corrects by {tank.setpoint_c - at_c:+.2f} °C, "
        f"± {own.uncertainty_k(at_c):.2f} °C (one standard uncertainty)"
    )
    (nearest,) = sorted(own.points, key=lambda p: abs(p.reference_c - tank.setpoint_c))[:1]
    if len(own.points) == 1 and abs(nearest.reference_c - tank.setpoint_c) > 10.0:
        yield (
            f"That point is {abs(nearest.reference_c - tank.setpoint_c):.0f} °C from the setpoint: what the "
            "probe's scale does over that way is not known. A second point near the setpoint tells it."
        )
    if earlier is not None:
        change = calibration.drift(earlier, own, at_c)
        pace = "" if change.k_per_year is None else f", {change.k_per_year:+.2f} °C a year"
        says = "the probe drifts" if change.is_real else "no more than the uncertainties explain"
        yield (
            f"Against the calibration {change.days:.0f} days ago: {change.change_k:+.2f} °C "
            f"± {change.uncertainty_k:.2f} °C{pace}: {says}"
        )
