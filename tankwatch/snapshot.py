"""Frozen pictures of the running watch: what the socket carries and the screen draws.

Plain dataclasses inside; `to_json` and `from_json` are the only doors to the outside.
"""

from dataclasses import dataclass, field

from pydantic import TypeAdapter

from tankwatch.alarms.model import Alarm


@dataclass(frozen=True, slots=True)
class LiveValue:
    """The newest value of one channel and how far it may be believed."""

    value: float
    time_s: float
    """Stamp of the reading, seconds since 1970 UTC."""
    age_s: float
    """Seconds since it arrived, by the monotonic clock."""
    stale: bool = False
    """Older than the channel's silence limit: shown, never trusted."""
    retained: bool = False
    """Kept by the broker from an unknown time."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A fitted quantity with its standard uncertainty, in the same unit."""

    value: float
    uncertainty: float


@dataclass(frozen=True, slots=True)
class ModelSnapshot:
    """What the fitted thermal model believes of one tank; None where it cannot tell yet."""

    heater_w: Estimate | None = None
    """Effective heater power, W."""
    loss_w_per_k: Estimate | None = None
    """Heat loss to the room, W/K."""
    time_constant_h: Estimate | None = None
    """Hours in which the water would fall 63 % of the way to the room."""
    room_c: Estimate | None = None
    """Room temperature, measured or estimated, °C."""
    expected_duty: Estimate | None = None
    """Share of time the heater should be on now, 0..1."""
    coldest_room_c: Estimate | None = None
    """Coldest room in which this heater still holds the setpoint, °C."""
    stuck_on_c: Estimate | None = None
    """Temperature the water would reach if the heater stayed on, °C."""
    minutes_to_low: Estimate | None = None
    """Minutes to the low limit if the heater failed now."""
    minutes_to_high: Estimate | None = None
    """Minutes to the high limit if the heater stayed on from now."""
    cycle_top_c: float | None = None
    """Where the heater normally switches off, °C."""
    cycle_bottom_c: float | None = None
    """Where the heater normally switches on, °C."""
    cycles_seen: int = 0
    """Heating cycles learned from."""


@dataclass(frozen=True, slots=True)
class TankSnapshot:
    """One tank as the watch sees it now."""

    tank_id: str
    name: str
    setpoint_c: float
    low_c: float
    high_c: float
    values: dict[str, LiveValue] = field(default_factory=dict)
    """Newest value by channel name (`temperature`, `heater`, `light`, …)."""
    rate_c_per_h: float | None = None
    """Change of the water over the last hour, K."""
    swing_24h_c: float | None = None
    """Range of the water over the last 24 hours, K."""
    duty_1h: float | None = None
    duty_6h: float | None = None
    duty_24h: float | None = None
    """Share of time the heater was on, 0..1."""
    light_hours_today: float | None = None
    light_hours_max: float | None = None
    service: str | None = None
    """`water-out` or `work` while hands are in the tank."""
    service_since_s: float | None = None
    model: ModelSnapshot = ModelSnapshot()


@dataclass(frozen=True, slots=True)
class SourceSnapshot:
    """Health of one source."""

    source_id: str
    kind: str
    state: str
    """`connected`, `connecting`, `lost` or `stopped`."""
    detail: str = ""
    """Address or port, and the last error in words; plain text, never markup."""
    last_heard_age_s: float | None = None
    received: int = 0
    """Payloads or lines taken in."""
    accepted: int = 0
    """Readings made of them."""
    refused: dict[str, int] = field(default_factory=dict)
    """Refused payloads by reason."""
    dropped: int = 0
    """Oldest readings dropped because the watch was behind."""
    restarts: int = 0
    last_refused: str = ""
    """The last refused payload, made safe to show."""


@dataclass(frozen=True, slots=True)
class StoreSnapshot:
    """Health of the store."""

    path: str = ""
    state: str = "fine"
    """`fine`, `behind` or `failed`."""
    detail: str = ""
    waiting: int = 0
    """Readings waiting to be written."""
    written: int = 0
    dropped: int = 0
    behind_s: float = 0.0
    size_bytes: int = 0
    wal_bytes: int = 0


@dataclass(frozen=True, slots=True)
class SplitSnapshot:
    """How a room is divided among its watches, as one of them knows it."""

    watch: str
    """Which of them this is."""
    holders: dict[str, str] = field(default_factory=dict)
    """The watch by tank, of every tank that is held."""
    live: tuple[str, ...] = ()
    """Watches whose lease stands."""
    watches: tuple[str, ...] = ()
    """All of them, by the configuration."""
    last: str = ""
    """Which tanks changed hands last, in words."""
    last_s: float = 0.0
    """When they did, seconds since 1970 UTC."""
    trouble: str = ""
    """Why the leases cannot be reached, and what that means; empty: they can."""


@dataclass(frozen=True, slots=True)
class ForwardSnapshot:
    """How the central store is kept up with."""

    to: str
    """Its address."""
    behind_s: float
    """Since when not all was there, s; a few seconds are usual."""
    rows: int = 0
    """Rows sent since the watch began."""
    error: str = ""
    """Why the last attempt failed; empty: it did not."""


@dataclass(frozen=True, slots=True)
class RoomSnapshot:
    """The whole picture, sent once a second."""

    time_s: float
    """When it was taken, seconds since 1970 UTC."""
    room: str
    timezone: str
    started_s: float
    tanks: tuple[TankSnapshot, ...] = ()
    alarms: tuple[Alarm, ...] = ()
    """Every alarm that is not normal, worst first."""
    sources: tuple[SourceSnapshot, ...] = ()
    store: StoreSnapshot = StoreSnapshot()
    version: str = ""
    split: SplitSnapshot | None = None
    """Where the room is divided among several watches; `tanks` are then those of this one."""
    forward: ForwardSnapshot | None = None
    """Where a central store is kept up with."""


_ADAPTER: TypeAdapter[RoomSnapshot] = TypeAdapter(RoomSnapshot)


def to_json(snapshot: RoomSnapshot) -> bytes:
    """Return `snapshot` as one line of JSON, without the line end."""
    return _ADAPTER.dump_json(snapshot)


def from_json(data: bytes | str) -> RoomSnapshot:
    """Read a snapshot back.

    Raises:
        pydantic.ValidationError: the data is not a snapshot of this version.
    """
    return _ADAPTER.validate_json(data)
