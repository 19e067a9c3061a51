"""The heart: tells the supervisor and a URL that the watch lives, for as long as it does.

It beats only while the judge comes round and messages are made: a thread of its own that beat always would
make a dead watch look alive.
"""

import logging
import threading
import urllib.error
import urllib.request
from collections.abc import Callable
from http.client import HTTPException

from tankwatch.clock import Clock
from tankwatch.notify.masking import mask_secrets, masked_url, secrets_of_url
from tankwatch.notify.systemd import Supervisor

log = logging.getLogger(__name__)

URL_WITHIN_S = 10.0


class Heart:
    """Beats in threads of its own from `start` to `stop`."""

    def __init__(
        self,
        is_alive: Callable[[], bool],
        supervisor: Supervisor,
        clock: Clock,
        *,
        url: str | None = None,
        url_every_s: float = 60.0,
    ) -> None:
        """Ask `is_alive` before each beat; `url` is fetched every `url_every_s` seconds."""
        self._is_alive = is_alive
        self._supervisor = supervisor
        self._clock = clock
        self._url = url
        self._url_every_s = url_every_s
        self._url_fails = False
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []

    def start(self) -> None:
        """Begin to beat, where anybody listens."""
        if self._supervisor.watchdog_s is not None:
            self._begin("heart", self._beat_supervisor)
        if self._url is not None:
            self._begin("heart-url", self._beat_url)

    def stop(self) -> None:
        """Stop beating."""
        self._stop.set()
        for thread in self._threads:
            thread.join(2.0)

    def _begin(self, name: str, target: Callable[[], None]) -> None:
        thread = threading.Thread(target=target, name=name, daemon=True)
        thread.start()
        self._threads.append(thread)

    def _beat_supervisor(self) -> None:
        # systemd asks for a beat at half its limit; a third leaves room for a busy machine.
        every_s = max(0.1, (self._supervisor.watchdog_s or 30.0) / 3.0)
        while True:
            if self._is_alive():
                self._supervisor.alive()
            if self._stop.wait(every_s):
                return

    def _beat_url(self) -> None:
        while True:
            if self._is_alive():
                self.fetch()
            if self._stop.wait(self._url_every_s):
                return

    def fetch(self) -> bool:
        """Fetch the URL once; tell whether it answered."""
        url = self._url
        if url is None:
            return False
        try:
            if not url.startswith(("http://", "https://")):
                raise ValueError("expected a URL that begins with http:// or https://")
            with urllib.request.urlopen(url, timeout=URL_WITHIN_S) as answer:  # noqa: S310 (checked above)
                answer.read(1024)
        except urllib.error.HTTPError as error:
            error.close()
            return self._note(f"it answered {error.code}")
        except (OSError, ValueError, HTTPException) as error:
            return self._note(mask_secrets(str(error), secrets_of_url(url)))
        return self._note(None)

    def _note(self, fault: str | None) -> bool:
        """Log the first of a row of failures, and its end."""
        shown = masked_url(self._url or "")
        if fault is not None and not self._url_fails:
            log.warning("the heartbeat did not reach %s: %s", shown, fault)
        elif fault is None and self._url_fails:
            log.info("the heartbeat reaches %s again", shown)
        self._url_fails = fault is not None
        return fault is None
