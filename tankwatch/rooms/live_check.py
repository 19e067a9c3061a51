"""A live look at the brokers of `[publish]` and `[centre]`: can they be reached, which rooms are heard."""

from tankwatch.clock import Clock, SystemClock
from tankwatch.config import Config, MqttSourceConfig
from tankwatch.errors import TankwatchError
from tankwatch.rooms.heard import Word
from tankwatch.rooms.hub import Hub
from tankwatch.rooms.session import Session, broker_of
from tankwatch.rooms.topics import Topics
from tankwatch.sources.base import Link
from tankwatch.sources.inbox import Inbox
from tankwatch.tried import Tried

LISTEN_S = 25.0
"""Longer than the usual time between two signs of life."""


def try_brokers(config: Config, *, clock: Clock | None = None, listen_s: float = LISTEN_S) -> list[Tried]:
    """Connect to the brokers that `config` names beside its sources; nothing is published.

    At a centre, wait up to `listen_s` seconds until every room that must be heard is.
    """
    clock = clock or SystemClock()
    results = []
    if config.publish is not None:
        topics = Topics(config.publish.topic)
        broker = broker_of(config.publish, "publish")
        hub = Hub(topics, clock, silent_after_s=listen_s)
        fault = _listen(broker, [topics.of(config.room.slug, "acknowledge")], hub, clock, 0.0)
        results.append(Tried("[publish]", fault is None, fault or "connected; nothing was published"))
    if config.centre is not None:
        topics = Topics(config.centre.topic)
        broker = broker_of(config.centre, "centre")
        rooms = config.centre.rooms
        hub = Hub(topics, clock, silent_after_s=listen_s, expected=rooms)
        fault = _listen(broker, topics.of_all_rooms(), hub, clock, listen_s)
        results.append(_rooms_heard(hub, rooms) if fault is None else Tried("[centre]", False, fault))
    return results


def _rooms_heard(hub: Hub, rooms: tuple[str, ...]) -> Tried:
    words = {status.room_id: status.word for status in hub.statuses()}
    heard = [room for room, word in words.items() if word is Word.ONLINE]
    missing = [room for room in rooms if room not in heard]
    said = f"connected; rooms heard: {', '.join(heard) or 'none'}"
    if missing:
        said += f"; not heard: {', '.join(missing)}"
    return Tried("[centre]", not missing, said)


def _listen(
    broker: MqttSourceConfig, filters: list[str], hub: Hub, clock: Clock, listen_s: float
) -> str | None:
    """Hear what comes until all rooms are heard or the time is over; return why it failed, if it did."""
    link = Link("check", Inbox(1), clock)
    # A name of its own: the watch that may run meanwhile must not be thrown out by its broker.
    session = Session(broker, "", link, hub.take)
    end_s = clock.monotonic_s() + listen_s

    def look() -> None:
        statuses = hub.statuses()
        if clock.monotonic_s() >= end_s or (
            statuses and all(status.word is Word.ONLINE for status in statuses)
        ):
            link.stop()

    try:
        session.open(filters)
        session.serve(look)
    except TankwatchError as error:
        return str(error)
    finally:
        session.close()
        link.close()
    return None
