"""The watch's side of the control socket.

It runs an event loop in a thread of its own. The judge only ever hands it a finished snapshot and never
waits for it; requests that change something are handed to the judge as futures. A client that reads too
slowly skips pictures and gets the newest one when it is ready for it.
"""

import asyncio
import contextlib
import logging
import os
import socket
import threading
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path

from tankwatch.control.path import prepare_folder
from tankwatch.control.peer import is_trusted, peer_uid
from tankwatch.control.protocol import (
    MAX_REQUEST_BYTES,
    Action,
    Follow,
    Look,
    Reply,
    parse_request,
    reply_line,
    snapshot_line,
)
from tankwatch.errors import ControlError, TankwatchError
from tankwatch.snapshot import RoomSnapshot, to_json

log = logging.getLogger(__name__)

MAX_CLIENTS = 32
"""More screens at once than a room needs: a limit against a client that leaks connections."""
ANSWER_WITHIN_S = 10.0
"""An action that the judge has not carried out by then is answered with an error."""
KEPT_WITHIN_S = 2.0
"""So long an answer waits for the disk; what was done is then answered as done and not yet kept."""
# The kernel and asyncio buffer what a client does not read; kept small so that a client which falls behind
# sees fresh pictures when it reads again, not a queue of old ones.
_WRITE_BUFFER_BYTES = 32_768
_HEAR_OUT_S = 2.0

Carry = Callable[[Action], "Future[None]"]
"""Hands an action to the judge; the future ends when it is done, or bears the TankwatchError."""
Kept = Callable[[], "Future[None]"]
"""Gives a future that ends when all that was done so far is on the disk."""


class ControlServer:
    """Serves pictures and takes requests at the Unix socket `path`.

    `start` and `stop` are called by the main thread, `publish` by any thread.
    """

    def __init__(self, path: Path, carry: Carry, kept: Kept | None = None) -> None:
        """Take actions to the judge with `carry`; answer when `kept`, if given, says that they are kept."""
        self.path = path
        self._carry = carry
        self._kept = kept
        self._unkept: Future[None] | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread | None = None
        self._clients: set[_Client] = set()
        self._newest: RoomSnapshot | None = None
        self._newest_line: bytes | None = None
        self._publishing = threading.Lock()
        self._wake_is_due = False

    def start(self) -> None:
        """Open the socket and begin to serve.

        The caller holds the lock of the store, so that a socket file already there is a dead one.

        Raises:
            ControlError: the socket cannot be opened.
        """
        prepare_folder(self.path)
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self.path.unlink(missing_ok=True)
            listener.bind(str(self.path))
            os.chmod(self.path, 0o600)  # before listen: nobody can have connected yet
            listener.listen(MAX_CLIENTS)
        except OSError as error:
            listener.close()
            raise ControlError(f"{self.path}: cannot be opened: {error.strerror}") from error
        loop = asyncio.new_event_loop()
        ready = threading.Event()
        self._loop = loop
        self._thread = threading.Thread(
            target=self._run, args=(loop, listener, ready), name="control", daemon=True
        )
        self._thread.start()
        ready.wait(10)

    def publish(self, snapshot: RoomSnapshot) -> None:
        """Make `snapshot` the newest; returns at once."""
        with self._publishing:
            self._newest = snapshot
            self._newest_line = None
            if self._loop is None or self._wake_is_due:
                return
            self._wake_is_due = True
            loop = self._loop
        try:
            loop.call_soon_threadsafe(self._wake_clients)
        except RuntimeError:  # the loop was closed meanwhile: the watch is stopping
            log.debug("a snapshot came after the control socket was closed")

    def stop(self, timeout_s: float = 5.0) -> None:
        """Close every connection and the socket, and remove its file."""
        with self._publishing:
            loop, self._loop = self._loop, None
        if loop is None or self._thread is None:
            return
        loop.call_soon_threadsafe(loop.stop)
        self._thread.join(timeout_s)
        self.path.unlink(missing_ok=True)

    def _run(self, loop: asyncio.AbstractEventLoop, listener: socket.socket, ready: threading.Event) -> None:
        asyncio.set_event_loop(loop)
        try:
            server = loop.run_until_complete(
                asyncio.start_unix_server(self._serve, sock=listener, limit=MAX_REQUEST_BYTES)
            )
            ready.set()
            loop.run_forever()
            loop.run_until_complete(_hang_up(server))
        finally:
            ready.set()
            listener.close()
            loop.close()

    def _wake_clients(self) -> None:
        with self._publishing:
            self._wake_is_due = False
        for client in self._clients:
            if client.follows:
                client.has_news.set()

    def newest_line(self) -> bytes | None:
        """Return the newest snapshot as a line; turned into JSON once, however many clients take it."""
        with self._publishing:
            if self._newest_line is not None or self._newest is None:
                return self._newest_line
            snapshot = self._newest
        line = snapshot_line(to_json(snapshot))
        with self._publishing:
            if self._newest is snapshot:
                self._newest_line = line
        return line

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        client = _Client(self, reader, writer)
        refusal = self._refusal(writer)
        try:
            if refusal is not None:
                log.warning("control socket: %s", refusal)
                await client.send(reply_line(Reply(ok=False, error=refusal)))
                await client.hear_out()
                return
            self._clients.add(client)
            await client.run()
        except (ConnectionError, asyncio.IncompleteReadError):
            log.debug("a client left")
        except (
            asyncio.CancelledError
        ):  # the server hangs up; asyncio before 3.12 would tell of it as of a fault
            log.debug("a client was hung up on")
        except Exception:
            log.exception("control socket: a client was dropped")
        finally:
            self._clients.discard(client)
            writer.close()

    def _refusal(self, writer: asyncio.StreamWriter) -> str | None:
        """Return why the client is turned away, or None."""
        uid = peer_uid(writer.get_extra_info("socket"))
        if not is_trusted(uid):
            return f"this watch belongs to user {os.getuid()}, not to user {uid}"
        if len(self._clients) >= MAX_CLIENTS:
            return f"{MAX_CLIENTS} clients are connected already; close one"
        return None

    async def answer(self, line: bytes, client: "_Client") -> bytes:
        """Carry out one request and return the line to answer with."""
        try:
            request = parse_request(line)
        except ValueError as error:
            return reply_line(Reply(ok=False, error=str(error)))
        match request:
            case Follow():
                client.follows = True
                client.has_news.set()
                return reply_line(Reply())
            case Look():
                newest = self.newest_line()
                return newest or reply_line(Reply(ok=False, error="the watch has no picture yet; ask again"))
            case _:
                return await self._act(request)

    async def _act(self, action: Action) -> bytes:
        try:
            await asyncio.wait_for(asyncio.wrap_future(self._carry(action)), ANSWER_WITHIN_S)
        except TankwatchError as error:
            return reply_line(Reply(ok=False, error=str(error)))
        except TimeoutError:
            text = f"the watch did not answer within {ANSWER_WITHIN_S:g} s; look at its log file"
            return reply_line(Reply(ok=False, error=text))
        return reply_line(Reply(kept=await self._is_kept()))

    async def _is_kept(self) -> bool:
        """Wait for the disk, though not for long, and not anew for each of many while it takes nothing."""
        if self._kept is None:
            return True
        kept = self._kept()
        waits_already = self._unkept is not None and not self._unkept.done()
        loop, is_done = asyncio.get_running_loop(), asyncio.Event()

        def tell(_: "Future[None]") -> None:
            with contextlib.suppress(RuntimeError):  # the loop is closed: the watch is stopping
                loop.call_soon_threadsafe(is_done.set)

        kept.add_done_callback(tell)
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(is_done.wait(), 0.0 if waits_already else KEPT_WITHIN_S)
        self._unkept = None if kept.done() else kept
        return kept.done()


async def _hang_up(server: asyncio.Server) -> None:
    """Close `server` and every connection to it."""
    server.close()
    for _ in range(5):  # a connection accepted this moment must first be set up before it can be closed
        await asyncio.sleep(0)
    tasks = asyncio.all_tasks() - {asyncio.current_task()}
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    await asyncio.sleep(0)  # closed transports are taken down in the loop's next round


class _Client:
    """One connection: a reader of requests and a writer that only ever sends the newest picture."""

    def __init__(
        self, server: ControlServer, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        self.server = server
        self.reader = reader
        self.writer = writer
        self.follows = False
        self.has_news = asyncio.Event()
        self._sending = asyncio.Lock()
        writer.transport.set_write_buffer_limits(high=_WRITE_BUFFER_BYTES)

    async def run(self) -> None:
        """Serve the client until it leaves."""
        pictures = asyncio.create_task(self._send_pictures())
        try:
            while line := await self._next_line():
                await self.send(await self.server.answer(line, self))
        finally:
            pictures.cancel()
            await asyncio.gather(pictures, return_exceptions=True)

    async def send(self, line: bytes) -> None:
        """Send a line and wait until the client has taken most of what was sent before."""
        async with self._sending:
            self.writer.write(line)
            await self.writer.drain()

    async def hear_out(self) -> None:
        """Discard what the client still sends: hanging up on it unread would take our answer away."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(_HEAR_OUT_S):
                while await self.reader.read(MAX_REQUEST_BYTES):
                    pass

    async def _next_line(self) -> bytes:
        try:
            return await self.reader.readuntil(b"\n")
        except asyncio.IncompleteReadError:  # the end, perhaps amid a line: nothing to carry out
            return b""
        except asyncio.LimitOverrunError:
            await self.send(
                reply_line(Reply(ok=False, error=f"a request has at most {MAX_REQUEST_BYTES} bytes"))
            )
            await self.hear_out()
            return b""

    async def _send_pictures(self) -> None:
        while True:
            await self.has_news.wait()
            self.has_news.clear()
            line = self.server.newest_line()
            if line is not None:
                await self.send(line)
