"""Asking something that may never answer, and going on without the answer."""

import threading
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, TypeVar

from tankwatch.split.leases import LeasesError

T = TypeVar("T")


class Patience:
    """Calls one thing at a time in a thread of its own, and waits for each only so long."""

    def __init__(self, wait_s: float) -> None:
        """Wait for `wait_s` seconds at most."""
        self._wait_s = wait_s
        self._under_way: Future[Any] | None = None

    @property
    def is_waiting(self) -> bool:
        """Tell whether something that was asked has not answered yet."""
        return self._under_way is not None and not self._under_way.done()

    def ask(self, call: Callable[[], T]) -> T:
        """Return what `call` returns.

        Raises:
            LeasesError: it did not answer in time, or an earlier call still has not; what it answers later
                is lost.
        """
        if self.is_waiting:
            raise LeasesError("no answer yet to what was asked before")
        future: Future[T] = Future()
        self._under_way = future

        def work() -> None:
            try:
                future.set_result(call())
            except BaseException as error:
                future.set_exception(error)

        threading.Thread(target=work, name="leases", daemon=True).start()
        try:
            return future.result(self._wait_s)
        except TimeoutError:
            raise LeasesError(f"no answer within {self._wait_s:g} s") from None
