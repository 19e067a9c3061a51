"""What is said over the control socket: one JSON object a line, each bearing the version of this language.

A client sends requests and gets one reply for each, in order. Once it has sent `follow`, it also gets a
line with a snapshot whenever there is a new one. Lines are UTF-8 and end in a line feed.
"""

from typing import Annotated, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from tankwatch.alarms.model import Condition
from tankwatch.reading import ServiceMark
from tankwatch.snapshot import RoomSnapshot

VERSION: Final = 1
"""Raised when an older client could misread what is sent."""
MAX_REQUEST_BYTES = 16_384
"""A longer request is refused: nothing a keeper writes needs more."""
MAX_REPLY_BYTES = 64 * 1024 * 1024
"""Longest line a client takes: the picture of a room of thousands of tanks stays far below."""

_Who = Annotated[str, Field(min_length=1, max_length=80)]
_Why = Annotated[str, Field(min_length=1, max_length=200)]
_Path = Annotated[str, Field(min_length=1, max_length=1000)]


class _Line(BaseModel):
    """Common rules of every line."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    v: Literal[1] = VERSION


class Follow(_Line):
    """Ask for every new snapshot from now on."""

    do: Literal["follow"] = "follow"


class Look(_Line):
    """Ask for the newest snapshot, once."""

    do: Literal["look"] = "look"


class Acknowledge(_Line):
    """Say that an alarm has been seen."""

    do: Literal["acknowledge"] = "acknowledge"
    alarm_id: Annotated[int, Field(ge=1)]
    who: _Who


class AcknowledgeCode(_Line):
    """Say that the alarms of a message have been seen, by the short code in it."""

    do: Literal["acknowledge-code"] = "acknowledge-code"
    code: Annotated[str, Field(min_length=4, max_length=32)]
    who: _Who


class Shelve(_Line):
    """Put an alarm away for some minutes."""

    do: Literal["shelve"] = "shelve"
    alarm_id: Annotated[int, Field(ge=1)]
    minutes: Annotated[float, Field(gt=0, le=1440, allow_inf_nan=False)]
    why: _Why
    who: _Who


class Unshelve(_Line):
    """Bring a shelved alarm back."""

    do: Literal["unshelve"] = "unshelve"
    alarm_id: Annotated[int, Field(ge=1)]
    who: _Who


class OutOfService(_Line):
    """Stop judging one condition until it is returned to service."""

    do: Literal["out-of-service"] = "out-of-service"
    tank: Annotated[str, Field(min_length=1, max_length=64)]
    condition: Condition
    why: _Why
    who: _Who


class ReturnToService(_Line):
    """Judge a condition again."""

    do: Literal["return-to-service"] = "return-to-service"
    alarm_id: Annotated[int, Field(ge=1)]
    who: _Who


class Reset(_Line):
    """Say that what latched an alarm has been put right."""

    do: Literal["reset"] = "reset"
    alarm_id: Annotated[int, Field(ge=1)]
    who: _Who


class Mark(_Line):
    """Say that hands go into a tank, or are out again."""

    do: Literal["mark"] = "mark"
    tank: Annotated[str, Field(min_length=1, max_length=64)]
    mark: ServiceMark
    who: _Who


class Note(_Line):
    """Add an entry to the care log."""

    do: Literal["log"] = "log"
    tank: Annotated[str, Field(min_length=1, max_length=64)] | None
    """None: the whole room."""
    kind: Annotated[str, Field(pattern=r"^[a-z0-9-]{1,32}$")]
    text: Annotated[str, Field(min_length=1, max_length=4000)]
    who: _Who
    photos: Annotated[tuple[_Path, ...], Field(max_length=8)] = ()
    """Paths of pictures, on the machine of the keeper."""


Action = (
    Acknowledge | AcknowledgeCode | Shelve | Unshelve | OutOfService | ReturnToService | Reset | Mark | Note
)
"""Requests that change something; they are carried out by the judge, in order."""

Request = Annotated[Follow | Look | Action, Field(discriminator="do")]


class Reply(_Line):
    """The answer to one request, or a snapshot that was not asked for one by one."""

    ok: bool = True
    error: str | None = None
    """Why the request was refused, fit to show as plain text."""
    kept: bool = True
    """Whether what was done is on the disk; the watch acts from memory, and its disk may be slow or full."""
    snapshot: RoomSnapshot | None = None


_REQUEST: TypeAdapter[Follow | Look | Action] = TypeAdapter(Request)


def parse_request(line: bytes) -> Follow | Look | Action:
    """Read one line of a client.

    Raises:
        ValueError: it is no request of this version; the message says what is wrong and is safe to send.
    """
    try:
        return _REQUEST.validate_json(line)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        place = ".".join(str(part) for part in first["loc"])
        if place.endswith(".v"):
            raise ValueError(f"this watch speaks version {VERSION} of the control language") from error
        raise ValueError(
            f"not a request: {place}: {first['msg']}" if place else f"not a request: {first['msg']}"
        ) from error


def request_line(request: Follow | Look | Action) -> bytes:
    """Return `request` as one line, with its line end."""
    # A watch that was started before photos were known still takes an entry without them.
    left_out = {"photos"} if isinstance(request, Note) and not request.photos else None
    return request.model_dump_json(exclude=left_out).encode() + b"\n"


def reply_line(reply: Reply) -> bytes:
    """Return `reply` as one line, with its line end."""
    left_out = {"kept"} if reply.kept else None  # the usual answer is the one that older clients know
    return reply.model_dump_json(exclude_none=True, exclude=left_out).encode() + b"\n"


def snapshot_line(snapshot_json: bytes) -> bytes:
    """Return the line that carries a snapshot already turned into JSON.

    Put together by hand: the picture is the bulk of what is sent, and must not be parsed again to be sent.
    """
    return b'{"v":%d,"ok":true,"snapshot":%s}\n' % (VERSION, snapshot_json)
