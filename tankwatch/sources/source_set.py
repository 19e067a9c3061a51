"""All sources of a configuration, started, stopped and looked after together."""

import logging
import time

from tankwatch.clock import Clock
from tankwatch.config import Config, MqttSourceConfig, SerialSourceConfig, SourceConfig
from tankwatch.decode.channel import BoundChannel
from tankwatch.snapshot import SourceSnapshot
from tankwatch.sources.base import Source
from tankwatch.sources.inbox import Inbox
from tankwatch.sources.mqtt import MqttSource
from tankwatch.sources.onewire import OneWireSource
from tankwatch.sources.serial import SerialSource
from tankwatch.sources.supervise import FIRST_PAUSE_S, STALLED_AFTER_S, Supervisor

log = logging.getLogger(__name__)


class SourceSet:
    """The sources of `config`; their readings go to `inbox`."""

    def __init__(
        self,
        config: Config,
        inbox: Inbox,
        clock: Clock,
        *,
        lost_after_s: float = 20.0,
        stalled_after_s: float = STALLED_AFTER_S,
        first_pause_s: float = FIRST_PAUSE_S,
    ) -> None:
        """Prepare; nothing is opened before `start`.

        `lost_after_s` is how long a source may be without connection before it is told as lost: shorter
        than a silent probe is noticed, longer than a broker takes to restart. `stalled_after_s` is how long
        its thread may give no sign of life, `first_pause_s` the pause before the first new attempt.
        """
        self._supervisors = [
            Supervisor(
                make_source(source, config),
                inbox,
                clock,
                lost_after_s=lost_after_s,
                stalled_after_s=stalled_after_s,
                first_pause_s=first_pause_s,
            )
            for source in config.source
        ]

    def start(self) -> None:
        """Start one thread per source and return at once; connecting goes on in the background."""
        for supervisor in self._supervisors:
            supervisor.start()

    def stop(self, timeout_s: float) -> None:
        """Stop all sources; wait at most `timeout_s` seconds for all their threads together."""
        for supervisor in self._supervisors:
            supervisor.ask_to_stop()
        deadline = time.monotonic() + timeout_s
        for supervisor in self._supervisors:
            if not supervisor.join(max(0.0, deadline - time.monotonic())):
                log.error("source %s does not stop", supervisor.health().source_id)

    def health(self) -> tuple[SourceSnapshot, ...]:
        """Return how every source does, in the order of the configuration."""
        return tuple(supervisor.health() for supervisor in self._supervisors)


def channels_of(source_id: str, config: Config) -> list[BoundChannel]:
    """Return the channels that read from a source, with their tanks."""
    return [
        BoundChannel(tank.id, channel)
        for tank in config.tank
        for channel in tank.channel
        if channel.source == source_id
    ]


def make_source(source: SourceConfig, config: Config) -> Source:
    """Return the source that a `[[source]]` table describes."""
    channels = channels_of(source.id, config)
    if isinstance(source, MqttSourceConfig):
        return MqttSource(source, channels)
    if isinstance(source, SerialSourceConfig):
        interval_s = max((tank.probe_interval_s for tank in config.tank), default=0.0)
        return SerialSource(source, channels, longest_interval_s=interval_s)
    return OneWireSource(source, channels)
