"""The configuration file: one declared model that refuses what it does not know.

Every field carries its meaning as a docstring; `tankwatch check --schema` and the reference page are
made from them. `load` turns any fault into a `ConfigError` that says file, place, key, value, what was
expected and the nearest known key.
"""

import difflib
import importlib.util
import ipaddress
import os
import re
import stat
import tomllib
import urllib.parse
import zoneinfo
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, Protocol, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    Field,
    PrivateAttr,
    ValidationError,
    WithJsonSchema,
    field_validator,
    model_validator,
)

from tankwatch.alarms.model import Condition
from tankwatch.config_care import CareConfig
from tankwatch.config_forward import ForwardConfig
from tankwatch.config_keys import KEYS
from tankwatch.config_notify import (
    WAY_KINDS,
    AlarmsConfig,
    AppriseWayConfig,
    CommandWayConfig,
    MqttWayConfig,
    NotifyConfig,
    PersonConfig,
    WayConfig,
)
from tankwatch.config_path import AS_VARIABLE
from tankwatch.config_rooms import CentreConfig, PublishConfig
from tankwatch.config_split import SplitConfig, seen_by
from tankwatch.config_types import BOOL as _BOOL
from tankwatch.config_types import CLOCK_TIME as _CLOCK_TIME
from tankwatch.config_types import FLOAT as _FLOAT
from tankwatch.config_types import ID as _ID
from tankwatch.config_types import NAME as _NAME
from tankwatch.config_types import ROOM_ID as _ROOM_ID
from tankwatch.config_types import Table as _Table
from tankwatch.config_types import slug_of
from tankwatch.decode import pointer
from tankwatch.errors import ConfigError
from tankwatch.reading import KINDS, ON_OFF_CHANNELS, Channel


class RoomConfig(_Table):
    """`[room]`: the place that the watch answers for."""

    name: _NAME
    """Name shown on top of the screen and in messages."""
    id: _ROOM_ID | None = None
    """Short name that tells this room from others where several share a broker or a store: 1 to 32 of a to z,
    0 to 9 and `-`; none: made of the name."""
    timezone: str = "Etc/UTC"
    """IANA name of the local time zone; light hours and nights are local."""
    hemisphere: Literal["north", "south"] = "north"
    """Season of the change plan."""
    night: tuple[_CLOCK_TIME, _CLOCK_TIME] = ("20:00", "08:00")
    """Local times at which a night begins and ends, for the review; from the evening feed, say."""

    @field_validator("night")
    @classmethod
    def _has_a_length(cls, night: tuple[str, str]) -> tuple[str, str]:
        if night[0] == night[1] or night[0] == "24:00":
            raise ValueError('expected two different local times, such as ["20:00", "08:00"]')
        return night

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, name: str) -> str:
        try:
            zoneinfo.ZoneInfo(name)
        except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError) as error:
            raise ValueError("expected an IANA time zone such as Etc/UTC or Europe/Lisbon") from error
        return name

    @property
    def slug(self) -> str:
        """The id, or one made of the name: always the same for the same name."""
        return self.id or slug_of(self.name)

    @property
    def zone(self) -> zoneinfo.ZoneInfo:
        """The time zone as an object."""
        return zoneinfo.ZoneInfo(self.timezone)


class StoreConfig(_Table):
    """`[store]`: where readings, alarms and the care log are kept."""

    path: Path = Path("tankwatch.db")
    """SQLite file, relative to the configuration file."""
    seal_after_h: Annotated[_FLOAT, Field(ge=0.25, le=8784.0)] = 1.0
    """Readings older than this many hours are packed into blocks; nothing is lost by it."""
    readings_days: Annotated[_FLOAT, Field(ge=0.0, le=36_600.0)] = 1100.0
    """Readings older than this many days are dropped (never in the first hour of a watch); their figures of
    each hour and day stay. 0 keeps them for ever."""
    readings_mb: Annotated[_FLOAT, Field(ge=0.0)] = 0.0
    """Packed readings beyond so many MiB are dropped, oldest day first; 0 sets no limit."""
    hours_days: Annotated[_FLOAT, Field(ge=0.0, le=36_600.0)] = 3700.0
    """Figures of hours older than this many days are dropped; 0 keeps them for ever. Figures of days,
    alarms, marks and the care log always stay."""
    hours_mb: Annotated[_FLOAT, Field(ge=0.0)] = 0.0
    """Figures of hours beyond so many MiB are dropped, oldest first; 0 sets no limit."""
    min_free_mb: Annotated[_FLOAT, Field(ge=0.0)] = 200.0
    """Room the disk should have, in MiB. Below twice that `store-behind` tells; below it, oldest first and
    no more than needed, readings older than a week go, then figures of hours older than a month. 0: never."""


class MqttSourceConfig(_Table):
    """`[[source]]` of kind mqtt: a broker that probes publish to."""

    id: _ID
    """Name that channels refer to."""
    kind: Literal["mqtt"]
    """mqtt"""
    host: str = "127.0.0.1"
    """Name or address of the broker."""
    port: Annotated[int, Field(strict=True, ge=1, le=65535)] = 1883
    """TCP port; 8883 is usual with TLS."""
    tls: _BOOL = False
    """Encrypt, and verify the broker's certificate."""
    ca_file: Path | None = None
    """Certificates to trust instead of the system's, relative to the configuration file."""
    username: str | None = None
    """User name at the broker."""
    password_file: Path | None = None
    """File whose first line is the password; mode 0600. The environment variable
    TANKWATCH_PASSWORD_<ID> serves as well."""
    password: str | None = None
    """The password itself; prefer password_file."""
    protocol: Literal[5, 311] = 5
    """MQTT 5 or MQTT 3.1.1."""
    client_id: Annotated[str, Field(max_length=64)] = ""
    """Client identifier; empty lets the watch make one of its own."""
    keepalive_s: Annotated[int, Field(strict=True, ge=5, le=600)] = 30
    """Seconds after which a dead link is noticed."""


class SerialSourceConfig(_Table):
    """`[[source]]` of kind serial: a probe that writes lines."""

    id: _ID
    """Name that channels refer to."""
    kind: Literal["serial"]
    """serial"""
    port: str | None = None
    """Path of the port, best below /dev/serial/by-id/."""
    usb_serial: str | None = None
    """Serial number of the USB adapter, instead of a path."""
    baud: Annotated[int, Field(strict=True, ge=300, le=4_000_000)] = 115_200
    """Line speed in bits per second."""

    @model_validator(mode="after")
    def _one_way_to_find_it(self) -> "SerialSourceConfig":
        if (self.port is None) == (self.usb_serial is None):
            raise ValueError("expected either port or usb_serial")
        return self


class OneWireSourceConfig(_Table):
    """`[[source]]` of kind onewire: sensors on the 1-wire bus of a Linux board."""

    id: _ID
    """Name that channels refer to."""
    kind: Literal["onewire"]
    """onewire"""
    path: Path = Path("/sys/bus/w1/devices")
    """Folder of the bus."""
    interval_s: Annotated[_FLOAT, Field(ge=1, le=3600)] = 10.0
    """Seconds between two rounds of the bus."""


SourceConfig = Annotated[
    MqttSourceConfig | SerialSourceConfig | OneWireSourceConfig, Field(discriminator="kind")
]


def _can_be_asked_for(kind: Channel) -> Channel:
    if kind not in KINDS:
        raise ValueError(f"expected one of: {', '.join(KINDS)}; a truth value on power tells of the mains")
    return kind


_KIND = Annotated[
    Channel,
    AfterValidator(_can_be_asked_for),
    WithJsonSchema({"type": "string", "enum": list(map(str, KINDS))}),
]


class ChannelConfig(_Table):
    """`[[tank.channel]]`: where one value of a tank comes from, and how it is read."""

    kind: _KIND
    """What is measured: temperature, heater, light, air, power, service, humidity, level, flow, ph."""
    source: str
    """Id of the source."""
    topic: str | None = None
    """MQTT topic filter."""
    decode: str = "senml"
    """senml, number, onoff, or pointer:/a/b (RFC 6901) into a JSON payload."""
    name: str | None = None
    """Name of the record inside a pack or line, or of the 1-wire device. Empty: the channel's kind."""
    offset_c: _FLOAT = 0.0
    """Calibration: added to a temperature after scaling, °C."""
    scale: _FLOAT = 1.0
    """Multiplies the raw number."""
    invert: _BOOL = False
    """Swap on and off."""
    on_above: _FLOAT | None = None
    """For a heater or light seen by an optical or current sensor: on while the raw number is above this."""

    @field_validator("decode")
    @classmethod
    def _known_decoder(cls, word: str) -> str:
        if word in {"senml", "number", "onoff"}:
            return word
        if not word.startswith("pointer:"):
            raise ValueError("expected senml, number, onoff or pointer:/a/b (RFC 6901)")
        pointer.split(word.removeprefix("pointer:"))
        return word

    @field_validator("scale")
    @classmethod
    def _not_zero(cls, scale: float) -> float:
        if scale == 0.0:
            raise ValueError("expected a number other than 0")
        return scale

    @model_validator(mode="after")
    def _keys_fit_the_kind(self) -> "ChannelConfig":
        on_off = self.kind in ON_OFF_CHANNELS
        if self.on_above is not None and not on_off:
            raise ValueError(f"on_above is for a heater or light, not for {self.kind}")
        if self.invert and not on_off and self.kind is not Channel.SERVICE:
            raise ValueError(f"invert is for a heater, light or service channel, not for {self.kind}")
        if self.offset_c and self.kind not in (Channel.TEMPERATURE, Channel.AIR):
            raise ValueError(f"offset_c is for a temperature or air channel, not for {self.kind}")
        if self.decode == "onoff" and not on_off and self.kind is not Channel.SERVICE:
            raise ValueError(
                f'decode = "onoff" is for a heater, light or service channel, not for {self.kind}'
            )
        if self.decode == "number" and self.kind is Channel.SERVICE:
            raise ValueError("a service channel carries words: expected decode senml, onoff or pointer:/…")
        return self

    @field_validator("topic")
    @classmethod
    def _valid_filter(cls, topic: str | None) -> str | None:
        # MQTT 5 section 4.7: '#' only as the last whole level, '+' only as a whole level.
        if topic is None:
            return None
        levels = topic.split("/")
        bad_hash = any(
            "#" in level and (level != "#" or i != len(levels) - 1) for i, level in enumerate(levels)
        )
        bad_plus = any("+" in level and level != "+" for level in levels)
        if not topic or "\0" in topic or len(topic.encode()) > 65535 or bad_hash or bad_plus:
            raise ValueError("expected an MQTT topic filter, such as fish/t01/state or fish/+/state")
        return topic


class TankConfig(_Table):
    """`[[tank]]`: one heated tank and what is asked of it."""

    id: _ID
    """Short name, used in commands and in record names."""
    name: str = Field(default="", max_length=80)
    """Name shown on screen and in messages; empty: the id."""
    volume_l: Annotated[_FLOAT, Field(gt=0, le=100_000)]
    """Water in the tank, litres."""
    setpoint_c: Annotated[_FLOAT, Field(ge=0, le=45)]
    """Temperature that the thermostat is set to, °C."""
    heater_w: Annotated[_FLOAT, Field(gt=0, le=50_000)] | None = None
    """Rated power of the heater, W; none: learned from the cycles."""
    low_c: Annotated[_FLOAT, Field(ge=-5, le=50)] | None = None
    """Lower limit of the band, °C; none: 2.0 below the setpoint."""
    high_c: Annotated[_FLOAT, Field(ge=-5, le=50)] | None = None
    """Upper limit of the band, °C; none: 2.5 above the setpoint."""
    max_rate_c_per_h: Annotated[_FLOAT, Field(gt=0, le=20)] = 1.5
    """Largest change over one hour that is let pass, °C."""
    max_daily_swing_c: Annotated[_FLOAT, Field(gt=0, le=20)] = 2.0
    """Largest range over any 24 hours that is let pass, °C."""
    light_hours_max: Annotated[_FLOAT, Field(gt=0, le=24)] = 10.0
    """Light hours a day that are let pass."""
    light_window: tuple[_CLOCK_TIME, _CLOCK_TIME] | None = None
    """Local times between which light is expected; may cross midnight; none: any time."""
    probe_interval_s: Annotated[_FLOAT, Field(gt=0, le=86_400)] = 10.0
    """Seconds between two readings of this tank's probe."""
    channel: tuple[ChannelConfig, ...] = ()
    """Where the tank's values come from."""
    care: CareConfig = CareConfig()
    """What the sums and the routine of its care need to know."""

    @model_validator(mode="after")
    def _band_holds_setpoint(self) -> "TankConfig":
        if not self.band_low_c < self.setpoint_c < self.band_high_c:
            raise ValueError(
                f"expected low_c < setpoint_c < high_c, "
                f"got {self.band_low_c:g} < {self.setpoint_c:g} < {self.band_high_c:g}"
            )
        return self

    @property
    def label(self) -> str:
        """The name for people."""
        return self.name or self.id

    @property
    def band_low_c(self) -> float:
        """Lower limit of the band, °C."""
        return self.setpoint_c - 2.0 if self.low_c is None else self.low_c

    @property
    def band_high_c(self) -> float:
        """Upper limit of the band, °C."""
        return self.setpoint_c + 2.5 if self.high_c is None else self.high_c


class Config(_Table):
    """The whole file."""

    room: RoomConfig
    """The place."""
    store: StoreConfig = StoreConfig()
    """Where things are kept."""
    source: tuple[SourceConfig, ...] = ()
    """Where readings come from."""
    tank: tuple[TankConfig, ...] = ()
    """The tanks."""
    alarms: AlarmsConfig = AlarmsConfig()
    """How alarms live."""
    notify: NotifyConfig = NotifyConfig()
    """How messages are put together."""
    way: tuple[WayConfig, ...] = ()
    """How messages travel."""
    person: tuple[PersonConfig, ...] = ()
    """Who is told."""
    publish: PublishConfig | None = None
    """What other places may see of this room."""
    centre: CentreConfig | None = None
    """Where all rooms are seen."""
    forward: ForwardConfig | None = None
    """The central store that readings are brought to."""
    split: SplitConfig | None = None
    """The watches among which the tanks are divided."""
    _watch_name: str | None = PrivateAttr(default=None)
    _whole: "Config | None" = PrivateAttr(default=None)
    keys: KEYS = Field(default_factory=dict)
    """Other keys for the screen, by the id of what is done, such as `"page.alarms" = "f5"`."""

    @model_validator(mode="after")
    def _references_hold(self) -> "Config":
        for what, ids in (
            ("source", [s.id for s in self.source]),
            ("tank", [t.id for t in self.tank]),
            ("way", [w.id for w in self.way]),
            ("person", [p.id for p in self.person]),
        ):
            twice = {i for i in ids if ids.count(i) > 1}
            if twice:
                raise ValueError(f"expected every {what} to have an id of its own, got {min(twice)!r} twice")
        kinds = {s.id: s.kind for s in self.source}
        for tank in self.tank:
            for channel in tank.channel:
                place = f"tank {tank.id!r}, channel {channel.kind.value!r}"
                if channel.source not in kinds:
                    raise ValueError(
                        f"{place}: no source {channel.source!r}{_nearest(channel.source, kinds)}; "
                        f"known: {', '.join(kinds) or 'none'}"
                    )
                if kinds[channel.source] == "mqtt" and channel.topic is None:
                    raise ValueError(f"{place}: expected a topic, since source {channel.source!r} is mqtt")
                if kinds[channel.source] == "onewire" and channel.name is None:
                    raise ValueError(f"{place}: expected name, the device's name on the 1-wire bus")
        if self.split is not None:
            self.split.see_tanks({tank.id for tank in self.tank})
        ways = [way.id for way in self.way]
        for person in self.person:
            for wanted in person.ways:
                if wanted not in ways:
                    raise ValueError(
                        f"person {person.id!r}: no way {wanted!r}{_nearest(wanted, ways)}; "
                        f"known: {', '.join(ways) or 'none'}"
                    )
        for way in self.way:
            if isinstance(way, MqttWayConfig) and kinds.get(way.source) != "mqtt":
                raise ValueError(
                    f"way {way.id!r}: expected the id of a source of kind mqtt, got {way.source!r}"
                    f"{_nearest(way.source, kinds)}"
                )
        return self

    @property
    def watch_name(self) -> str | None:
        """Which of the watches of `[split]` this configuration is for."""
        return self._watch_name

    @property
    def whole(self) -> "Config":
        """The configuration of all watches of `[split]`."""
        return self._whole or self

    def named(self, watch: str, update: Mapping[str, Any]) -> "Config":
        """Return a copy with `update`, for one of the watches of `[split]`."""
        copy = self.model_copy(update=update)
        copy._watch_name, copy._whole = watch, self
        return copy

    def tank_by_id(self, tank_id: str) -> TankConfig:
        """Return the tank called `tank_id`.

        Raises:
            ConfigError: there is none.
        """
        for tank in self.tank:
            if tank.id == tank_id:
                return tank
        known = [tank.id for tank in self.tank]
        raise ConfigError(
            f"no tank {tank_id!r}{_nearest(tank_id, known)}; known: {', '.join(known) or 'none'}"
        )


def load(path: Path) -> Config:
    """Read and check the configuration file at `path`; its relative paths are made absolute.

    Of a room that is split, the environment variable TANKWATCH_AS says as which watch it is seen.

    Raises:
        ConfigError: the file cannot be read, is not TOML, or holds a wrong key or value. The message
            names every fault found, one a line.
        UsageError: the room is split and has no watch of that name.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise ConfigError(
            f"{path}: expected UTF-8 text, got byte {error.object[error.start]:#04x}"
        ) from error
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{path}: not valid TOML: {error}") from error
    try:
        config = Config.model_validate(table)
    except ValidationError as error:
        faults = [_fault_line(path, text, table, dict(detail)) for detail in error.errors()]
        raise ConfigError("\n".join(dict.fromkeys(faults))) from error
    config = _with_absolute_paths(config, path.resolve().parent)
    name = os.environ.get(AS_VARIABLE)
    return config if config.split is None or not name else seen_by(config, name)


def warnings_of(config: Config) -> Iterator[str]:
    """Yield what is allowed but unwise in `config`, one sentence each."""
    brokers: list[tuple[str, Login | None]] = [
        (f"source {source.id}", source) for source in config.source if isinstance(source, MqttSourceConfig)
    ]
    for whose, login in [*brokers, ("[publish]", config.publish), ("[centre]", config.centre)]:
        if login is not None:
            yield from _warnings_of_login(whose, login)
    for tank in config.tank:
        kinds = {channel.kind for channel in tank.channel}
        if tank.channel and Channel.TEMPERATURE not in kinds:
            yield f"tank {tank.id}: no temperature channel, so its water is not watched"
        listed = [channel.kind for channel in tank.channel if channel.kind is not Channel.SERVICE]
        for kind in dict.fromkeys(kind for kind in listed if listed.count(kind) > 1):
            yield f"tank {tank.id}: {listed.count(kind)} channels of kind {kind}, whose readings will mix"

    yield from _warnings_of_notify(config)
    if config.forward is not None:
        yield from _warnings_of_forward(config.forward)


class Login(Protocol):
    """The keys of a broker that may hold a secret."""

    @property
    def host(self) -> str: ...  # noqa: D102
    @property
    def tls(self) -> bool: ...  # noqa: D102
    @property
    def username(self) -> str | None: ...  # noqa: D102
    @property
    def password(self) -> str | None: ...  # noqa: D102
    @property
    def password_file(self) -> Path | None: ...  # noqa: D102


def _warnings_of_login(whose: str, login: Login) -> Iterator[str]:
    if login.password is not None:
        yield f"{whose}: the password stands in the configuration file; prefer password_file"
    if login.password_file is not None:
        yield from _warnings_of_secret_file(whose, "password_file", login.password_file)
    has_secret = login.username or login.password or login.password_file
    if has_secret and not login.tls and not _is_loopback(login.host):
        yield f"{whose}: the password crosses the network unencrypted; set tls = true"


def _warnings_of_notify(config: Config) -> Iterator[str]:
    for way in config.way:
        if isinstance(way, AppriseWayConfig):
            if way.url is not None:
                yield f"way {way.id}: the URL, a secret, stands in the configuration file; prefer url_file"
            if way.url_file is not None:
                yield from _warnings_of_secret_file(f"way {way.id}", "url_file", way.url_file)
            if importlib.util.find_spec("apprise") is None:
                yield f"way {way.id}: needs Apprise, which is not installed: pip install 'tankwatch[notify]'"
        if not isinstance(way, MqttWayConfig) and all(way.id not in person.ways for person in config.person):
            yield f"way {way.id}: no [[person]] uses it, so nothing is sent by it"
    if config.notify.heartbeat_url_file is not None:
        path = config.notify.heartbeat_url_file
        yield from _warnings_of_secret_file("notify", "heartbeat_url_file", path)


def _warnings_of_forward(forward: ForwardConfig) -> Iterator[str]:
    if forward.password_file is not None:
        yield from _warnings_of_secret_file("[forward]", "password_file", forward.password_file)
    address = urllib.parse.urlsplit(forward.url)
    keys = dict(urllib.parse.parse_qsl(address.query))
    host = keys.get("host", address.hostname or "")
    mode = keys.get("sslmode", os.environ.get("PGSSLMODE", "prefer"))
    is_here = not host or host.startswith("/") or _is_loopback(host)
    if not is_here and mode not in {"verify-ca", "verify-full"}:
        # PostgreSQL manual, "SSL Support": below verify-ca the server's certificate is not looked at.
        yield f"[forward]: nothing proves that {host} is your server; add sslmode=verify-full to url"


def _warnings_of_secret_file(whose: str, key: str, path: Path) -> Iterator[str]:
    try:
        mode = stat.S_IMODE(path.stat().st_mode)
    except OSError as error:
        yield f"{whose}: {key} {path} cannot be read: {error.strerror}"
        return
    if mode & 0o077:
        yield f"{whose}: {path} is readable by others (mode {mode:04o}); run: chmod 600 {path}"


def password_of(source: MqttSourceConfig) -> str | None:
    """Return the password for `source`: environment over file over configuration.

    Raises:
        ConfigError: the password file cannot be read.
    """
    variable = "TANKWATCH_PASSWORD_" + re.sub(r"[^A-Za-z0-9]", "_", source.id).upper()
    if variable in os.environ:
        return os.environ[variable]
    if source.password_file is None:
        return source.password
    try:
        lines = source.password_file.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(f"source {source.id}: password_file {source.password_file}: {error}") from error
    return lines[0] if lines else ""


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:  # a name, which may lead anywhere
        return False


def _with_absolute_paths(config: Config, folder: Path) -> Config:
    store = config.store.model_copy(update={"path": folder / config.store.path})
    sources: list[SourceConfig] = []
    for source in config.source:
        if isinstance(source, MqttSourceConfig):
            source = _broker_in(folder, source)
        elif isinstance(source, OneWireSourceConfig):
            source = source.model_copy(update={"path": folder / source.path})
        sources.append(source)
    ways: list[Any] = []
    for way in config.way:
        if isinstance(way, AppriseWayConfig) and way.url_file is not None:
            way = way.model_copy(update={"url_file": folder / way.url_file})
        elif isinstance(way, CommandWayConfig) and os.sep in way.command[0]:
            way = way.model_copy(update={"command": (str(folder / way.command[0]), *way.command[1:])})
        ways.append(way)
    notify = config.notify
    if notify.heartbeat_url_file is not None:
        notify = notify.model_copy(update={"heartbeat_url_file": folder / notify.heartbeat_url_file})
    return config.model_copy(
        update={
            "store": store,
            "source": tuple(sources),
            "way": tuple(ways),
            "notify": notify,
            "publish": None if config.publish is None else _broker_in(folder, config.publish),
            "centre": None if config.centre is None else _broker_in(folder, config.centre),
            "forward": None if config.forward is None else _forward_in(folder, config.forward),
            "split": None if config.split is None else config.split.below(folder, store.path),
        }
    )


_Broker = TypeVar("_Broker", MqttSourceConfig, PublishConfig, CentreConfig)


def _broker_in(folder: Path, broker: _Broker) -> _Broker:
    paths = {key: getattr(broker, key) for key in ("password_file", "ca_file")}
    return broker.model_copy(update={key: folder / path for key, path in paths.items() if path is not None})


def _forward_in(folder: Path, forward: ForwardConfig) -> ForwardConfig:
    if forward.password_file is None:
        return forward
    return forward.model_copy(update={"password_file": folder / forward.password_file})


def _nearest(word: str, known: Any) -> str:
    close = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f" (did you mean {close[0]!r}?)" if close else ""


_MODELS: dict[str, tuple[type[BaseModel], ...]] = {
    "": (Config,),
    "room": (RoomConfig,),
    "store": (StoreConfig,),
    "source": (MqttSourceConfig, SerialSourceConfig, OneWireSourceConfig),
    "tank": (TankConfig,),
    "tank.channel": (ChannelConfig,),
    "tank.care": (CareConfig,),
    "alarms": (AlarmsConfig,),
    "notify": (NotifyConfig,),
    "way": tuple(WAY_KINDS.values()),
    "person": (PersonConfig,),
    "publish": (PublishConfig,),
    "centre": (CentreConfig,),
    "forward": (ForwardConfig,),
    "split": (SplitConfig,),
}


_SOURCE_KINDS: dict[str, type[BaseModel]] = {
    "mqtt": MqttSourceConfig,
    "serial": SerialSourceConfig,
    "onewire": OneWireSourceConfig,
}
_KINDS: dict[str, Mapping[str, type[BaseModel]]] = {"source": _SOURCE_KINDS, "way": WAY_KINDS}
"""By table: what its `kind` may be."""


def _fault_line(path: Path, text: str, table: dict[str, Any], detail: dict[str, Any]) -> str:
    """Return one fault as `file:line: [table] key = value: expectation`."""
    loc = list(detail["loc"])
    models: tuple[type[BaseModel], ...] | None = None
    if len(loc) > 2 and loc[2] in _KINDS.get(loc[0], ()):  # the kind is no key of the file
        models = (_KINDS[loc[0]][loc.pop(2)],)
    value = detail.get("input")
    if detail["type"].startswith("union_tag"):
        loc.append("kind")
        value = value.get("kind") if isinstance(value, dict) else value
    names = [str(part) for part in loc if not isinstance(part, int)]
    indices = [part for part in loc if isinstance(part, int)]
    is_table = ".".join(names) in _MODELS and (len(names) == 1 or isinstance(value, dict))
    is_key_fault = bool(loc) and not isinstance(loc[-1], int) and not is_table
    key = names[-1] if is_key_fault else ""
    table_name = ".".join(names[:-1] if is_key_fault else names)
    while table_name and table_name not in _MODELS:  # an item of an array such as light_window
        table_name, _, key = table_name.rpartition(".")
    place = _describe_place(table, table_name, indices)
    line = _line_of(text, table_name, indices, key)
    where = f"{path}:{line}" if line else str(path)
    expectation = _expectation(detail, table_name, key, models or _MODELS.get(table_name, ()))
    is_plain = not isinstance(value, dict | list | tuple) and value is not None
    # A misspelt password is one as well, and error texts end up in logs.
    is_secret = ("pas" in key.lower() and not key.endswith("_file")) or "://" in str(value)
    shown = f" = {'***' if is_secret else _short(value)}" if key and is_plain else ""
    subject = " ".join(part for part in (place, f"{key}{shown}") if part)
    return f"{where}: {subject}: {expectation}" if subject else f"{where}: {expectation}"


_EXPECTED = {
    "id": "expected 1 to 64 letters, digits, '.', '_' or '-'",
    "night": 'expected two local times, such as ["20:00", "08:00"]',
    "light_window": 'expected two local times, such as ["10:00", "20:00"]',
}


def _expectation(
    detail: dict[str, Any], table_name: str, key: str, models: tuple[type[BaseModel], ...]
) -> str:
    kind = detail["type"]
    if kind == "extra_forbidden":
        known = {name for model in models for name in model.model_fields}
        return f"unknown key{_nearest(key, sorted(known))}; expected one of: {', '.join(sorted(known))}"
    if table_name == "room" and key == "id":
        return "expected 1 to 32 of a to z, 0 to 9 and '-'"
    if key in _EXPECTED and kind in {
        "string_pattern_mismatch", "string_type", "tuple_type", "too_long", "missing",
    } and not (kind == "missing" and key == "id"):  # fmt: skip
        return _EXPECTED[key]
    if kind == "missing":
        return "this key is required"
    if kind.startswith("union_tag"):
        kinds = sorted(_KINDS.get(table_name, _SOURCE_KINDS))
        given = detail["input"].get("kind") if isinstance(detail["input"], dict) else None
        near = _nearest(given, kinds) if isinstance(given, str) else ""
        return f"expected one of: {', '.join(kinds)}{near}"
    if kind == "tuple_type":
        name = key if not table_name else f"{table_name}.{key}" if key else table_name
        return f"expected a list of tables, each under [[{name}]] in double brackets"
    if kind == "int_type":
        return "expected a whole number"
    if kind == "bool_type":
        return "expected true or false"
    if kind in {"model_type", "dict_type"}:
        return "expected a table"
    if kind == "path_type":
        return "expected a path in quotes"
    if kind == "enum":
        known_words = [word.value for word in (Condition if table_name == "alarms" else KINDS)]
        given = detail["input"]
        near = _nearest(given, known_words) if isinstance(given, str) else ""
        return f"expected one of: {', '.join(known_words)}{near}"
    message = str(detail["msg"])
    for prefix in ("Value error, ", "Input should be "):
        if message.startswith(prefix):
            message = message.removeprefix(prefix).replace("a valid ", "a ")
            return message if prefix == "Value error, " else f"expected {message}"
    return message


def _short(value: Any) -> str:
    text = str(value).lower() if isinstance(value, bool) else ascii(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _describe_place(table: dict[str, Any], table_name: str, indices: list[int]) -> str:
    """Return `[room]` or `[[tank]] 't01', [[tank.channel]] 2` for people."""
    if not table_name:
        return ""
    parts: list[str] = []
    node: Any = table
    names = table_name.split(".")
    for depth, name in enumerate(names):
        node = node.get(name) if isinstance(node, dict) else None
        full = ".".join(names[: depth + 1])
        if isinstance(node, list):
            index = indices[depth] if depth < len(indices) else 0
            node = node[index] if index < len(node) else None
            own_id = node.get("id") if isinstance(node, dict) else None
            parts.append(f"[[{full}]] {own_id if isinstance(own_id, str) else index + 1}")
        else:
            parts.append(f"[{full}]")
    return ", ".join(parts)


def _line_of(text: str, table_name: str, indices: list[int], key: str) -> int | None:
    """Return the 1-based line of `key` in its table, or of the table's header; None when not found."""
    wanted = dict(zip(table_name.split("."), indices, strict=False)) if table_name else {}
    counts: dict[str, int] = {}
    current = ""
    in_table = not table_name
    header_line: int | None = None
    for number, line in enumerate(text.splitlines(), 1):
        header = re.match(r"^\s*(\[{1,2})\s*([A-Za-z0-9_.-]+)\s*\]{1,2}", line)
        if header:
            current = header.group(2)
            if header.group(1) == "[[":
                counts[current] = counts.get(current, -1) + 1
                for deeper in [name for name in counts if name.startswith(current + ".")]:
                    del counts[deeper]
            if not table_name and current == key:
                return number
            in_table = current == table_name and all(
                counts.get(table_name[: table_name.index(name) + len(name)], 0) == index
                for name, index in wanted.items()
            )
            if in_table:
                header_line = number
        elif in_table and key and re.match(rf"""^\s*["']?{re.escape(key)}["']?\s*[=.]""", line):
            return number
    return header_line
