"""The configuration file: one declared model that refuses what it does not know.

Every field carries its meaning as a docstring; `tankwatch check --schema` and the reference page are
made from them. `load` turns any fault into a `ConfigError` that says file, place, key, value, what was
expected and the nearest known key.
"""

import difflib
import os
import re
import stat
import tomllib
import zoneinfo
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from tankwatch.errors import ConfigError
from tankwatch.reading import Channel

_ID = Annotated[str, Field(pattern=r"^[A-Za-z0-9_.-]{1,64}$")]
_CLOCK_TIME = Annotated[str, Field(pattern=r"^([01]\d|2[0-3]):[0-5]\d$|^24:00$")]
_NAME = Annotated[str, Field(min_length=1, max_length=80)]


class _Table(BaseModel):
    """Common rules of every table: unknown keys refused, values never changed after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)


class RoomConfig(_Table):
    """`[room]`: the place that the watch answers for."""

    name: _NAME
    """Name shown on top of the screen and in messages."""
    timezone: str = "Etc/UTC"
    """IANA name of the local time zone; light hours and nights are local."""
    hemisphere: Literal["north", "south"] = "north"
    """Season of the change plan."""

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, name: str) -> str:
        try:
            zoneinfo.ZoneInfo(name)
        except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError) as error:
            raise ValueError("expected an IANA time zone such as Etc/UTC or Europe/Lisbon") from error
        return name

    @property
    def zone(self) -> zoneinfo.ZoneInfo:
        """The time zone as an object."""
        return zoneinfo.ZoneInfo(self.timezone)


class StoreConfig(_Table):
    """`[store]`: where readings, alarms and the care log are kept."""

    path: Path = Path("tankwatch.db")
    """SQLite file, relative to the configuration file."""


class MqttSourceConfig(_Table):
    """`[[source]]` of kind mqtt: a broker that probes publish to."""

    id: _ID
    """Name that channels refer to."""
    kind: Literal["mqtt"]
    """mqtt"""
    host: str = "127.0.0.1"
    """Name or address of the broker."""
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    """TCP port; 8883 is usual with TLS."""
    tls: bool = False
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
    keepalive_s: Annotated[int, Field(ge=5, le=600)] = 30
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
    baud: Annotated[int, Field(ge=300, le=4_000_000)] = 115_200
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
    interval_s: Annotated[float, Field(ge=1, le=3600)] = 10.0
    """Seconds between two rounds of the bus."""


SourceConfig = Annotated[
    MqttSourceConfig | SerialSourceConfig | OneWireSourceConfig, Field(discriminator="kind")
]


class ChannelConfig(_Table):
    """`[[tank.channel]]`: where one value of a tank comes from, and how it is read."""

    kind: Channel
    """What is measured: temperature, heater, light, air, power, service, humidity, level, flow, ph."""
    source: str
    """Id of the source."""
    topic: str | None = None
    """MQTT topic filter."""
    decode: str = "senml"
    """senml, number, onoff, or pointer:/a/b (RFC 6901) into a JSON payload."""
    name: str | None = None
    """Name of the record inside a pack or line, or of the 1-wire device. Empty: the channel's kind."""
    offset_c: float = 0.0
    """Calibration: added to a temperature after scaling, K."""
    scale: Annotated[float, Field(allow_inf_nan=False)] = 1.0
    """Multiplies the raw number."""
    invert: bool = False
    """Swap on and off."""
    on_above: float | None = None
    """For a heater or light seen by an optical or current sensor: on while the raw number is above this."""

    @field_validator("decode")
    @classmethod
    def _known_decoder(cls, word: str) -> str:
        if word in {"senml", "number", "onoff"}:
            return word
        if word == "pointer:" or word.startswith("pointer:/"):
            return word
        raise ValueError("expected senml, number, onoff or pointer:/a/b (RFC 6901)")

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
    volume_l: Annotated[float, Field(gt=0, le=100_000)]
    """Water in the tank, litres."""
    setpoint_c: Annotated[float, Field(ge=0, le=45)]
    """Temperature that the thermostat is set to, °C."""
    heater_w: Annotated[float, Field(gt=0, le=50_000)] | None = None
    """Rated power of the heater, W; none: learned from the cycles."""
    low_c: Annotated[float, Field(ge=-5, le=50)] | None = None
    """Lower limit of the band, °C; none: 2.0 below the setpoint."""
    high_c: Annotated[float, Field(ge=-5, le=50)] | None = None
    """Upper limit of the band, °C; none: 2.5 above the setpoint."""
    max_rate_c_per_h: Annotated[float, Field(gt=0, le=20)] = 1.5
    """Largest change over one hour that is let pass, K."""
    max_daily_swing_c: Annotated[float, Field(gt=0, le=20)] = 2.0
    """Largest range over any 24 hours that is let pass, K."""
    light_hours_max: Annotated[float, Field(gt=0, le=24)] = 10.0
    """Light hours a day that are let pass."""
    light_window: tuple[_CLOCK_TIME, _CLOCK_TIME] | None = None
    """Local times between which light is expected; may cross midnight; none: any time."""
    probe_interval_s: Annotated[float, Field(gt=0, le=86_400)] = 10.0
    """Seconds between two readings of this tank's probe."""
    channel: tuple[ChannelConfig, ...] = ()
    """Where the tank's values come from."""

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

    @model_validator(mode="after")
    def _references_hold(self) -> "Config":
        for what, ids in (("source", [s.id for s in self.source]), ("tank", [t.id for t in self.tank])):
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
        return self

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

    Raises:
        ConfigError: the file cannot be read, is not TOML, or holds a wrong key or value. The message
            names every fault found, one a line.
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
    return _with_absolute_paths(config, path.resolve().parent)


def warnings_of(config: Config) -> Iterator[str]:
    """Yield what is allowed but unwise in `config`, one sentence each."""
    for source in config.source:
        if not isinstance(source, MqttSourceConfig):
            continue
        if source.password is not None:
            yield f"source {source.id}: the password stands in the configuration file; prefer password_file"
        if source.password_file is not None and source.password_file.exists():
            mode = stat.S_IMODE(source.password_file.stat().st_mode)
            if mode & 0o077:
                yield (
                    f"source {source.id}: {source.password_file} is readable by others (mode {mode:04o}); "
                    f"run: chmod 600 {source.password_file}"
                )
        if (source.username or source.password_file) and not source.tls and not _is_loopback(source.host):
            yield f"source {source.id}: the password crosses the network unencrypted; set tls = true"
    for tank in config.tank:
        kinds = {channel.kind for channel in tank.channel}
        if tank.channel and Channel.TEMPERATURE not in kinds:
            yield f"tank {tank.id}: no temperature channel, so its water is not watched"


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
    return host in {"localhost", "::1"} or host.startswith("127.")


def _with_absolute_paths(config: Config, folder: Path) -> Config:
    store = config.store.model_copy(update={"path": folder / config.store.path})
    sources = []
    for source in config.source:
        update: dict[str, Any] = {}
        if isinstance(source, MqttSourceConfig):
            for key in ("password_file", "ca_file"):
                value = getattr(source, key)
                if value is not None:
                    update[key] = folder / value
        sources.append(source.model_copy(update=update))
    return config.model_copy(update={"store": store, "source": tuple(sources)})


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
}


def _fault_line(path: Path, text: str, table: dict[str, Any], detail: dict[str, Any]) -> str:
    """Return one fault as `file:line: [table] key = value: expectation`."""
    kinds = ("mqtt", "serial", "onewire")
    loc = [part for i, part in enumerate(detail["loc"]) if not (i == 2 and part in kinds)]
    names = [str(part) for part in loc if not isinstance(part, int)]
    indices = [part for part in loc if isinstance(part, int)]
    is_key_fault = (
        bool(loc) and not isinstance(loc[-1], int) and not (len(names) == 1 and names[0] in _MODELS)
    )
    key = names[-1] if is_key_fault else ""
    table_name = ".".join(names[:-1] if is_key_fault else names)
    while table_name and table_name not in _MODELS:  # an item of an array such as light_window
        table_name, _, key = table_name.rpartition(".")
    place = _describe_place(table, table_name, indices)
    line = _line_of(text, table_name, indices, key)
    where = f"{path}:{line}" if line else str(path)
    expectation = _expectation(detail, table_name, key)
    value = detail.get("input")
    shown = (
        f" = {_short(value)}" if key and detail["type"] != "missing" and not isinstance(value, dict) else ""
    )
    subject = " ".join(part for part in (place, f"{key}{shown}") if part)
    return f"{where}: {subject}: {expectation}" if subject else f"{where}: {expectation}"


def _expectation(detail: dict[str, Any], table_name: str, key: str) -> str:
    if detail["type"] == "extra_forbidden":
        known = {name for model in _MODELS.get(table_name, ()) for name in model.model_fields}
        return f"unknown key{_nearest(key, sorted(known))}; expected one of: {', '.join(sorted(known))}"
    if detail["type"] == "missing":
        return "this key is required"
    message = str(detail["msg"])
    for prefix in ("Value error, ", "Input should be "):
        if message.startswith(prefix):
            message = message.removeprefix(prefix)
            return message if prefix == "Value error, " else f"expected {message}"
    return message


def _short(value: Any) -> str:
    text = ascii(value)
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
            in_table = current == table_name and all(
                counts.get(table_name[: table_name.index(name) + len(name)], 0) == index
                for name, index in wanted.items()
            )
            if in_table:
                header_line = number
        elif in_table and key and re.match(rf"""^\s*["']?{re.escape(key)}["']?\s*[=.]""", line):
            return number
    return header_line
