"""What is said on the topics of a room: JSON documents, each with the version of its form.

They are made of the same frozen picture that the control socket carries, and read back into it. Who reads
them trusts nothing: sizes, numbers, texts and depth are bounded before anything is made of them.

Times come in two kinds: `time_s` is the watch's wall clock, to be shown; `up_s` counts the seconds of its run
and is what ages are reckoned with, since neither clock steps nor clocks that differ reach it.
"""

from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from pydantic_core import from_json

from tankwatch.alarms.model import Alarm
from tankwatch.snapshot import SourceSnapshot, StoreSnapshot, TankSnapshot

TANKS_AT_MOST = 2000
"""In one room; more are left out, and that is told."""
MAX_BYTES = {"online": 1024, "state": 262_144, "tank": 16_384, "permit": 65_536, "acknowledge": 65_536}
"""Longest document of each kind."""
LONGEST_TEXT = 1000
LONGEST_KEY = 100
LEAST, MOST = -1e9, 1e11
"""Every number lies between: as a time that is the year 1938 to 5138, which every clock can show."""
_DEEPEST = 8
_NARROWEST_K = 0.01
"""Places in a band are reckoned by its width."""

_Run = Annotated[str, Field(pattern=r"^[0-9a-f]{8}$")]
_Up = Annotated[float, Field(ge=0)]


class _Document(BaseModel):
    """Common rules: keys that a later version added are passed over."""

    model_config = ConfigDict(extra="ignore", frozen=True, allow_inf_nan=False)

    v: Literal[1] = 1
    run: _Run
    """Names one run of the watch."""


class Online(_Document):
    """A sign of life; `offline` is said by the broker when the connection broke, `stopped` by the watch."""

    state: Literal["online", "offline", "stopped"]
    connection: Annotated[int, Field(ge=0)]
    """Counts the connections of the run: the will of an old one says nothing about a new one."""
    up_s: _Up = 0.0
    time_s: float | None = None
    every_s: Annotated[float, Field(ge=1, le=300)] = 20.0
    """Seconds between two signs of life."""
    full_every_s: Annotated[float, Field(ge=10, le=3600)] = 60.0
    """Seconds within which every tank's status is sent again."""


class State(_Document):
    """The room without its tanks."""

    up_s: _Up
    time_s: float
    room: Annotated[str, Field(max_length=80)]
    timezone: Annotated[str, Field(max_length=80)]
    version: Annotated[str, Field(max_length=40)] = ""
    started_s: float
    tanks: Annotated[tuple[str, ...], Field(max_length=TANKS_AT_MOST)]
    """Ids, in the order of the configuration."""
    left_out: Annotated[int, Field(ge=0)] = 0
    """Tanks beyond those."""
    alarms: Annotated[tuple[Alarm, ...], Field(max_length=500)] = ()
    """Those that belong to no tank."""
    sources: Annotated[tuple[SourceSnapshot, ...], Field(max_length=500)] = ()
    store: StoreSnapshot = StoreSnapshot()


class TankStatus(_Document):
    """One tank."""

    up_s: _Up
    time_s: float
    tank: TankSnapshot
    """Ages of its values are those at `up_s`."""
    alarms: Annotated[tuple[Alarm, ...], Field(max_length=100)] = ()


class Permits(_Document):
    """Tokens by number of the alarm."""

    tokens: Annotated[dict[int, Annotated[str, Field(max_length=1000)]], Field(max_length=500)]


class AcknowledgeTokens(_Document):
    """Tokens given back, by whom, and when by the run's own count."""

    up_s: _Up
    tokens: Annotated[tuple[Annotated[str, Field(max_length=1000)], ...], Field(min_length=1, max_length=50)]
    who: Annotated[str, Field(min_length=1, max_length=60)]


_T = TypeVar("_T", bound=_Document)


def read(model: type[_T], payload: bytes, most_bytes: int) -> _T:
    """Return what `payload` says.

    Raises:
        ValueError: it is too long, no JSON, out of bounds, or no document of this version; the message says
            which and quotes nothing of it.
    """
    if len(payload) > most_bytes:
        raise ValueError(f"{len(payload)} bytes, at most {most_bytes} are taken")
    try:
        content = from_json(payload, allow_inf_nan=False)
    except (ValueError, TypeError) as error:
        raise ValueError("no JSON") from error
    _check(content, _DEEPEST)
    try:
        found = model.model_validate(content)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        raise ValueError(f"{'.'.join(map(str, first['loc']))[:60]}: {first['type']}") from error
    if isinstance(found, TankStatus) and found.tank.high_c - found.tank.low_c < _NARROWEST_K:
        raise ValueError("tank: a band without width")
    return found


def _check(node: Any, depth: int) -> None:
    """Refuse what no document holds, before anything is made of it.

    Raises:
        ValueError: a number, a text or the depth is out of bounds.
    """
    if isinstance(node, dict | list):
        if depth == 0:
            raise ValueError("nested too deep")
        if isinstance(node, dict):
            if any(len(key) > LONGEST_KEY for key in node):
                raise ValueError("a key is too long")
            node = list(node.values())
        for item in node:
            _check(item, depth - 1)
    elif isinstance(node, str):
        if len(node) > LONGEST_TEXT:
            raise ValueError("a text is too long")
    elif isinstance(node, int | float) and not LEAST <= node <= MOST:
        raise ValueError("a number is out of bounds")
