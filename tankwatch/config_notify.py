"""The tables of the configuration file that say whom the watch tells, by which way, and when.

All of them are optional: without a `[[person]]` the watch tells nobody but the screen.
"""

import os
import re
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from tankwatch.alarms.model import Condition
from tankwatch.config_types import CLOCK_TIME, FLOAT, ID, TOPIC, Table
from tankwatch.errors import ConfigError

PRIORITY = Literal["low", "medium", "high", "critical"]
DAY = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]


class AlarmsConfig(Table):
    """`[alarms]`: how alarms live, beyond what every alarm does."""

    latching: tuple[Condition, ...] = ()
    """Conditions that stay, once acknowledged and gone, until someone resets them, such as
    `["heater-stuck-on"]`."""
    realarm_min: Annotated[FLOAT, Field(ge=1, le=10_080)] | None = None
    """Minutes after which an acknowledged alarm that still stands becomes unacknowledged again;
    none: never."""


class NotifyConfig(Table):
    """`[notify]`: how messages are put together and how many are sent."""

    gather_s: Annotated[FLOAT, Field(ge=0, le=600)] = 20.0
    """Seconds in which alarms of one kind are gathered into one message; critical ones wait 2 s at most."""
    clear_after_s: Annotated[FLOAT, Field(ge=0, le=86_400)] = 300.0
    """Seconds for which a cause must stay gone before a cleared message is sent."""
    messages_per_10_min: Annotated[int, Field(strict=True, ge=3, le=60)] = 10
    """Most messages to one person within 10 minutes; the last one is a digest of the rest."""
    digest_every_min: Annotated[FLOAT, Field(ge=1, le=1440)] = 10.0
    """Minutes between two digests while a flood lasts."""
    repeat_min: Annotated[FLOAT, Field(ge=1, le=1440)] = 15.0
    """Minutes after which what nobody acknowledged is repeated; each repeat waits twice as long as
    the one before, up to 2 hours."""
    repeat_from: PRIORITY = "high"
    """Lowest priority that is repeated."""
    code_valid_h: Annotated[FLOAT, Field(gt=0, le=168)] = 12.0
    """Hours for which the code and the token in a message acknowledge its alarms."""
    give_up_after_h: Annotated[FLOAT, Field(gt=0, le=168)] = 24.0
    """Hours after which a message that no server took is given up."""
    blind_after_min: Annotated[FLOAT, Field(ge=0, le=1440)] = 5.0
    """A start after fewer minutes without a watch is not told to anybody."""
    morning_at: CLOCK_TIME | None = None
    """Local time, such as `"07:30"`, at which each person on duty is told what of the night needs attention,
    or that it was quiet; in quiet hours at their end, within 4 hours. None: never."""
    heartbeat_url: str | None = None
    """URL that expects to be fetched regularly and raises the alarm when it is not; keep it secret."""
    heartbeat_url_file: Path | None = None
    """File whose first line is that URL; mode 0600."""
    heartbeat_every_s: Annotated[FLOAT, Field(ge=5, le=3600)] = 60.0
    """Seconds between two heartbeats, to the URL and over MQTT."""


class AppriseWayConfig(Table):
    """`[[way]]` of kind apprise: any service that the Apprise library knows."""

    id: ID
    """Name that persons refer to."""
    kind: Literal["apprise"]
    """apprise"""
    url: str | None = None
    """The service's URL in the form of Apprise; it holds secrets: prefer url_file."""
    url_file: Path | None = None
    """File whose first line is the URL; mode 0600. The environment variable TANKWATCH_URL_<ID> serves
    as well."""

    @model_validator(mode="after")
    def _somewhere(self) -> "AppriseWayConfig":
        if self.url is None and self.url_file is None and url_variable(self.id) not in os.environ:
            raise ValueError(f"expected url_file, url, or the environment variable {url_variable(self.id)}")
        return self


class MqttWayConfig(Table):
    """`[[way]]` of kind mqtt: messages, and the standing of room and tanks, for other programs."""

    id: ID
    """Name that persons refer to."""
    kind: Literal["mqtt"]
    """mqtt"""
    source: ID
    """Id of the `[[source]]` of kind mqtt whose broker, user and certificates are used."""
    topic: TOPIC = "tankwatch"
    """First levels of every topic published."""


class CommandWayConfig(Table):
    """`[[way]]` of kind command: a program of your own."""

    id: ID
    """Name that persons refer to."""
    kind: Literal["command"]
    """command"""
    command: Annotated[tuple[str, ...], Field(min_length=1)]
    """Program and arguments, one text each; no shell reads them. The message comes as JSON on standard
    input and in environment variables TANKWATCH_…"""
    timeout_s: Annotated[FLOAT, Field(ge=1, le=600)] = 30.0
    """Seconds after which the program is ended and counts as failed."""


WAY_KINDS: dict[str, type[Table]] = {
    "apprise": AppriseWayConfig,
    "mqtt": MqttWayConfig,
    "command": CommandWayConfig,
}
WayConfig = Annotated[AppriseWayConfig | MqttWayConfig | CommandWayConfig, Field(discriminator="kind")]


class PersonConfig(Table):
    """`[[person]]`: someone who is told."""

    id: ID
    """Short name; shown as who acknowledged."""
    ways: Annotated[tuple[ID, ...], Field(min_length=1)]
    """Ids of the ways that reach this person; each message goes by all of them."""
    from_priority: PRIORITY = "medium"
    """Lowest priority that this person is told of."""
    days: tuple[DAY, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
    """Days on which this person is on duty."""
    hours: tuple[CLOCK_TIME, CLOCK_TIME] | None = None
    """Local times between which this person is on duty; may cross midnight; none: all day. Off duty
    only critical alarms come, and only while nobody is on duty."""
    quiet: tuple[CLOCK_TIME, CLOCK_TIME] | None = None
    """Local times between which only critical alarms come; the rest waits for the end."""
    after_min: Annotated[FLOAT, Field(ge=0, le=1440)] = 0.0
    """Minutes without acknowledgement before this person is told as well."""


def url_variable(way_id: str) -> str:
    """Return the name of the environment variable that may hold the URL of a way."""
    return "TANKWATCH_URL_" + re.sub(r"[^A-Za-z0-9]", "_", way_id).upper()


def url_of(way: AppriseWayConfig) -> str:
    """Return the URL of `way`: environment over file over configuration.

    Raises:
        ConfigError: the file cannot be read, or there is no URL.
    """
    if url_variable(way.id) in os.environ:
        return os.environ[url_variable(way.id)]
    url = first_line(way.url_file, f"way {way.id}: url_file") if way.url_file else way.url
    if not url:
        raise ConfigError(f"way {way.id}: there is no URL in url_file")
    return url


def heartbeat_url_of(notify: NotifyConfig) -> str | None:
    """Return the URL that expects heartbeats, or None.

    Raises:
        ConfigError: its file cannot be read.
    """
    if notify.heartbeat_url_file is not None:
        return first_line(notify.heartbeat_url_file, "notify: heartbeat_url_file") or None
    return notify.heartbeat_url


def first_line(path: Path, what: str) -> str:
    """Return the first line of a file that holds a secret.

    Raises:
        ConfigError: it cannot be read; the message names the file, never its content.
    """
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except OSError as error:
        raise ConfigError(f"{what} {path}: cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise ConfigError(f"{what} {path}: expected UTF-8 text") from error
    return lines[0].strip() if lines else ""
