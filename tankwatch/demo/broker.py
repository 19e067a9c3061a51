"""The demo's own MQTT broker: amqtt in a thread, reachable from this machine only."""

import asyncio
import importlib.util
import logging
import threading
import warnings
from typing import Any

from tankwatch.errors import TankwatchError

_START_WITHIN_S = 15.0


class DemoBroker:
    """A broker on a free port of the loopback interface."""

    def __init__(self) -> None:
        """Plan a broker; nothing is opened yet."""
        self.port = 0
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stop = asyncio.Event()
        self._ready = threading.Event()
        self._fault: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="demo-broker", daemon=True)

    def start(self) -> None:
        """Open the broker; `port` is known afterwards.

        Raises:
            TankwatchError: the broker package is missing, or it does not start.
        """
        if importlib.util.find_spec("amqtt") is None:
            raise TankwatchError(
                "the demo needs a broker of its own, the package amqtt; "
                "install it with: pip install 'tankwatch[demo]'"
            )
        self._thread.start()
        if not self._ready.wait(_START_WITHIN_S) or self._fault is not None:
            raise TankwatchError(f"the demo's broker does not start: {self._fault or 'no answer'}")

    def stop(self) -> None:
        """Close every connection."""
        if self._loop is not None and self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._stop.set)
            self._thread.join(5.0)

    def _run(self) -> None:
        # It reports every packet; what matters here shows in the health of the watch's source.
        for name in ("amqtt", "transitions"):
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)
        try:
            asyncio.run(self._serve())
        except Exception as error:
            self._fault = error
        finally:
            self._ready.set()

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._loop.set_exception_handler(_note)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # deprecations inside the package are not ours to show
            from amqtt.broker import Broker

            # An external listener opens no port: the one opened below is bound to loopback.
            broker = Broker(
                {
                    "listeners": {"default": {"type": "external"}},
                    "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {}},
                }
            )
        await broker.start()

        async def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            try:
                await broker.stream_connected(reader, writer, listener_name="default")
            finally:
                writer.close()

        server = await asyncio.start_server(connected, "127.0.0.1", 0)
        self.port = server.sockets[0].getsockname()[1]
        self._ready.set()
        await self._stop.wait()
        server.close()
        await broker.shutdown()
        rest = asyncio.all_tasks() - {asyncio.current_task()}
        for task in rest:
            task.cancel()
        await asyncio.gather(*rest, return_exceptions=True)
        await asyncio.sleep(0)  # connections are closed in the loop's next round


def _note(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    logging.getLogger(__name__).debug("broker: %s", context.get("message"))
