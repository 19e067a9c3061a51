"""A client of the control socket: the screen's and the commands' way to a running watch."""

import asyncio
import socket
from collections.abc import AsyncGenerator
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from tankwatch.alarms.model import Condition
from tankwatch.control.peer import is_trusted, peer_uid
from tankwatch.control.protocol import (
    MAX_REPLY_BYTES,
    Acknowledge,
    Action,
    Follow,
    Look,
    Mark,
    Note,
    OutOfService,
    Reply,
    Reset,
    ReturnToService,
    Shelve,
    Unshelve,
    request_line,
)
from tankwatch.errors import ControlError, NotKeptError
from tankwatch.reading import ServiceMark
from tankwatch.snapshot import RoomSnapshot

_ASK_WITHIN_S = 15.0
_T = TypeVar("_T", bound=Action)


class NoWatchError(ControlError):
    """No watch runs over this store."""


class ControlClient:
    """Talks to the watch behind the Unix socket `path`.

    Each request uses a connection of its own, so that none waits behind a stream of pictures and a watch
    that was started again is simply found again. Every method raises ControlError, with what to do, when
    no watch answers or it refuses, and NotKeptError when it was done but is not on the disk yet. Without an
    error what was asked is done and on the disk.
    """

    def __init__(self, path: Path) -> None:
        """Remember the socket; nothing is opened yet."""
        self.path = path

    async def snapshots(self) -> AsyncGenerator[RoomSnapshot, None]:
        """Yield pictures of the room as they come, about one a second, until the watch ends.

        Raises:
            ControlError: no watch answers, or it stopped.
        """
        reader, writer = await self._open()
        try:
            writer.write(request_line(Follow()))
            await writer.drain()
            while line := await reader.readline():
                reply = self._read(line)
                if reply.snapshot is not None:
                    yield reply.snapshot
            raise ControlError(f"{self.path}: the watch has stopped; start it with: tankwatch watch")
        except (ConnectionError, ValueError) as error:
            raise ControlError(f"{self.path}: the connection to the watch broke: {error}") from error
        finally:
            writer.close()

    async def acknowledge(self, alarm_id: int, who: str) -> None:
        """Say that `who` has seen an alarm."""
        await self._ask(_made(Acknowledge, alarm_id=alarm_id, who=who))

    async def shelve(self, alarm_id: int, minutes: float, why: str, who: str) -> None:
        """Put an alarm away for some minutes."""
        await self._ask(_made(Shelve, alarm_id=alarm_id, minutes=minutes, why=why, who=who))

    async def unshelve(self, alarm_id: int, who: str) -> None:
        """Bring a shelved alarm back as its cause stands."""
        await self._ask(_made(Unshelve, alarm_id=alarm_id, who=who))

    async def take_out_of_service(self, tank: str, condition: Condition, why: str, who: str) -> None:
        """Stop judging one condition of a tank until it is returned to service."""
        await self._ask(_made(OutOfService, tank=tank, condition=condition, why=why, who=who))

    async def return_to_service(self, alarm_id: int, who: str) -> None:
        """Judge a condition again that is out of service."""
        await self._ask(_made(ReturnToService, alarm_id=alarm_id, who=who))

    async def reset(self, alarm_id: int, who: str) -> None:
        """Say that what latched an alarm has been put right."""
        await self._ask(_made(Reset, alarm_id=alarm_id, who=who))

    async def mark(self, tank: str, mark: ServiceMark, who: str) -> None:
        """Say that `who` begins or ends work in a tank."""
        await self._ask(_made(Mark, tank=tank, mark=mark, who=who))

    async def log(self, tank: str | None, kind: str, text: str, who: str) -> None:
        """Add an entry to the care log; `tank` None: the whole room."""
        await self._ask(note(tank, kind, text, who))

    def request(self, request: Look | Action, timeout_s: float = _ASK_WITHIN_S) -> RoomSnapshot | None:
        """Ask and wait for the answer, without an event loop; return the picture if `Look` was asked."""
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as connection:
                connection.settimeout(timeout_s)
                connection.connect(str(self.path))
                self._check_peer(connection)
                connection.sendall(request_line(request))
                with connection.makefile("rb") as stream:
                    line = stream.readline(MAX_REPLY_BYTES)
        except OSError as error:
            raise self._unreachable(error) from error
        return self._read(line).snapshot

    async def _ask(self, request: Action) -> None:
        try:
            async with asyncio.timeout(_ASK_WITHIN_S):
                reader, writer = await self._open()
                try:
                    writer.write(request_line(request))
                    await writer.drain()
                    line = await reader.readline()
                finally:
                    writer.close()
        except OSError as error:  # TimeoutError is one as well
            raise self._unreachable(error) from error
        self._read(line)

    async def _open(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        try:
            reader, writer = await asyncio.open_unix_connection(str(self.path), limit=MAX_REPLY_BYTES)
        except OSError as error:
            raise self._unreachable(error) from error
        try:
            self._check_peer(writer.get_extra_info("socket"))
        except ControlError:
            writer.close()
            raise
        return reader, writer

    def _check_peer(self, connection: socket.socket) -> None:
        """Refuse a socket that someone else has put where ours is looked for."""
        uid = peer_uid(connection)
        if not is_trusted(uid):
            raise ControlError(f"{self.path}: user {uid} answers there, not a watch of yours")

    def _unreachable(self, error: OSError) -> ControlError:
        if isinstance(error, FileNotFoundError | ConnectionRefusedError):
            return NoWatchError("no watch runs over this store; start one with: tankwatch watch")
        if isinstance(error, PermissionError):
            return ControlError(f"{self.path}: belongs to another user; run this as the user of the watch")
        return ControlError(f"{self.path}: the watch does not answer: {error}; look at its log file")

    def _read(self, line: bytes) -> Reply:
        if not line:
            raise ControlError(f"{self.path}: the watch hung up without an answer; look at its log file")
        try:
            reply = Reply.model_validate_json(line)
        except ValidationError as error:
            raise ControlError(
                f"{self.path}: the watch speaks another version; run the same tankwatch on both sides"
            ) from error
        if not reply.ok:
            raise ControlError(reply.error or "the watch refused without a reason; look at its log file")
        if not reply.kept:
            raise NotKeptError(
                "done, but the watch's disk has not taken it yet; it is tried again, do not ask again: "
                "see the health of the store"
            )
        return reply


def note(tank: str | None, kind: str, text: str, who: str, photos: tuple[str, ...] = ()) -> Note:
    """Return a request for an entry in the care log.

    Raises:
        ControlError: a part of it cannot be sent, such as an empty text.
    """
    return _made(Note, tank=tank, kind=kind, text=text, who=who, photos=photos)


def _made(model: type[_T], /, **fields: Any) -> _T:
    """Return a request, or say in plain words what cannot be sent."""
    try:
        return model(**fields)
    except ValidationError as error:
        first = error.errors()[0]
        raise ControlError(f"{'.'.join(map(str, first['loc']))}: {first['msg']}") from error
