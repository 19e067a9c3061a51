"""The ways that a configuration names."""

from collections.abc import Callable

from tankwatch.clock import Clock
from tankwatch.config import Config, MqttSourceConfig
from tankwatch.config_notify import AppriseWayConfig, CommandWayConfig, MqttWayConfig
from tankwatch.notify.apprise_way import AppriseWay
from tankwatch.notify.command_way import CommandWay
from tankwatch.notify.mqtt_way import MqttWay
from tankwatch.notify.way import Way


def make_ways(
    config: Config, clock: Clock, *, on_token: Callable[[str], None] | None = None
) -> dict[str, Way]:
    """Return the ways of `config` by id, not yet started; tokens that come over MQTT go to `on_token`."""
    sources = {source.id: source for source in config.source}
    ways: dict[str, Way] = {}
    for way in config.way:
        match way:
            case AppriseWayConfig():
                ways[way.id] = AppriseWay(way)
            case CommandWayConfig():
                ways[way.id] = CommandWay(way)
            case MqttWayConfig():
                source = sources[way.source]
                if not isinstance(source, MqttSourceConfig):  # the configuration was checked for this
                    raise TypeError(f"source {way.source} is not mqtt")
                alive_s = config.notify.heartbeat_every_s
                ways[way.id] = MqttWay(way, source, clock, alive_every_s=alive_s, on_token=on_token)
    return ways
