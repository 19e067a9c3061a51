"""The contract of every way that carries messages."""

from abc import ABC, abstractmethod
from collections.abc import Callable

from tankwatch.notify.message import Message
from tankwatch.snapshot import RoomSnapshot


class Way(ABC):
    """Carries messages; `send` is called by one thread of its own and may take its time."""

    way_id: str
    on_ready: Callable[[], None] | None = None
    """Called when the way can carry again after it could not: no need to wait for the next attempt."""

    def start(self) -> None:  # noqa: B027 (most ways need no start)
        """Open what stays open between messages; must not wait for the network."""

    @abstractmethod
    def send(self, message: Message) -> None:
        """Hand `message` over and return when it was confirmed.

        Raises:
            DeliveryError: it was not, or nobody can tell. The caller tries again later, with the same id.
        """

    def show(self, snapshot: RoomSnapshot) -> None:  # noqa: B027 (most ways carry messages only)
        """Take a picture of the room; called about once a second, must return at once."""

    def stop(self) -> None:  # noqa: B027 (most ways need no stop)
        """Close what was opened."""
