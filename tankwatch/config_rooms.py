"""The tables of the configuration file that tie rooms together: what a room publishes, and who looks at all.

Both are optional. They name a broker of their own: what probes publish to is often not what others read.
"""

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from tankwatch.config_types import BOOL, FLOAT, ROOM_ID, TOPIC, Table


class _BrokerTable(Table):
    """The keys of a broker, the same as those of a source of kind mqtt."""

    host: str = "127.0.0.1"
    """Name or address of the broker."""
    port: Annotated[int, Field(strict=True, ge=1, le=65535)] = 1883
    """TCP port; 8883 is usual with TLS."""
    tls: BOOL = False
    """Encrypt, and verify the broker's certificate."""
    ca_file: Path | None = None
    """Certificates to trust instead of the system's, relative to the configuration file."""
    username: str | None = None
    """User name at the broker; its access list says what this user may read and write."""
    password_file: Path | None = None
    """File whose first line is the password; mode 0600. The environment variable TANKWATCH_PASSWORD_PUBLISH
    or TANKWATCH_PASSWORD_CENTRE serves as well."""
    password: str | None = None
    """The password itself; prefer password_file."""
    protocol: Literal[5, 311] = 5
    """MQTT 5 or MQTT 3.1.1; only with 5 does old status expire by itself."""
    client_id: Annotated[str, Field(max_length=64)] = ""
    """Client identifier; empty: made of the room's id, or a random one for a screen."""
    keepalive_s: Annotated[int, Field(strict=True, ge=5, le=600)] = 30
    """Seconds after which a dead link is noticed."""
    topic: TOPIC = "tankwatch"
    """First levels of every topic; the same for all rooms of one centre."""


class PublishConfig(_BrokerTable):
    """`[publish]`: lets a screen elsewhere see this room; without the table nothing is published."""

    heartbeat_s: Annotated[FLOAT, Field(ge=1, le=300)] = 20.0
    """Seconds between two signs of life."""
    tank_every_s: Annotated[FLOAT, Field(ge=1, le=3600)] = 10.0
    """Seconds between two statuses of one tank while only its values change; alarms and work go at once."""
    full_every_s: Annotated[FLOAT, Field(ge=10, le=3600)] = 60.0
    """Seconds after which a tank's status is sent again even if nothing worth it has changed."""
    step_c: Annotated[FLOAT, Field(ge=0, le=5)] = 0.05
    """A smaller change of the water waits for the next full status, °C."""
    messages_per_s: Annotated[FLOAT, Field(ge=1, le=1000)] = 50.0
    """Most statuses a second, alarms first; the newest state is never lost, only later."""
    acknowledge: BOOL = True
    """Let those who may read this room's permits acknowledge its alarms."""


class CentreConfig(_BrokerTable):
    """`[centre]`: where all rooms are seen, by `tankwatch screen --rooms`, and silent ones are told of."""

    rooms: tuple[ROOM_ID, ...] = ()
    """Ids of the rooms that must be heard; `tankwatch watch` on this file raises `source-lost` for one that
    is silent. A screen shows every other room that is heard as well."""
    silent_after_s: Annotated[FLOAT, Field(ge=3, le=3600)] = 70.0
    """Seconds without a sign of life after which a room is silent; never less than 3 of the room's own."""

    @model_validator(mode="after")
    def _no_room_twice(self) -> "CentreConfig":
        twice = {room for room in self.rooms if self.rooms.count(room) > 1}
        if twice:
            raise ValueError(f"rooms: expected every room once, got {min(twice)!r} twice")
        return self
