"""Which channels a message is for: topic filters matched once, then remembered by topic."""

from collections.abc import Iterable

from paho.mqtt.client import topic_matches_sub

from tankwatch.decode.channel import BoundChannel
from tankwatch.decode.decoder import Decoder

_MAX_TOPICS = 10_000


class TopicTable:
    """The decoders of one broker's topics. Used by one thread."""

    def __init__(self, source: str, channels: Iterable[BoundChannel]) -> None:
        """Sort `channels` by their topic filters."""
        self._source = source
        self._by_filter: dict[str, list[BoundChannel]] = {}
        for channel in channels:
            self._by_filter.setdefault(channel.config.topic or "", []).append(channel)
        # Only these need be tried one by one; with a thousand tanks that would take seconds.
        self._patterns = [one for one in self._by_filter if _is_pattern(one)]
        self._order = {one: number for number, one in enumerate(self._by_filter)}
        self._decoders: dict[str, Decoder] = {}

    def decoder(self, topic: str) -> Decoder:
        """Return the decoder for messages on `topic`; its channels are those whose filters match."""
        decoder = self._decoders.get(topic)
        if decoder is None:
            if len(self._decoders) >= _MAX_TOPICS:  # a wildcard may let in any number of topics
                self._decoders.clear()
            fitting = [one for one in self._patterns if matches(one, topic)]
            if topic in self._by_filter and not _is_pattern(topic):
                fitting.append(topic)
            fitting.sort(key=self._order.__getitem__)
            channels = [channel for one in fitting for channel in self._by_filter[one]]
            decoder = self._decoders[topic] = Decoder(self._source, channels)
        return decoder

    def subscriptions(self) -> list[str]:
        """Return the filters to subscribe to.

        A filter that another covers is left out: a broker may send a message once for each match (MQTT 5
        section 3.3.4), and every reading would come twice.
        """
        wide = self._patterns
        return [
            one for one in self._by_filter if not any(one != other and _covers(other, one) for other in wide)
        ]


def _is_pattern(topic_filter: str) -> bool:
    """Return whether a filter may match other topics than the one of its own name."""
    return topic_filter.startswith("$share/") or "+" in topic_filter or "#" in topic_filter


def matches(topic_filter: str, topic: str) -> bool:
    """Return whether `topic` matches `topic_filter` (MQTT 5 section 4.7), a shared one included."""
    if topic_filter.startswith("$share/"):
        topic_filter = topic_filter.split("/", 2)[2]
    return topic_matches_sub(topic_filter, topic)


def _covers(wide: str, narrow: str) -> bool:
    """Return whether every topic that matches `narrow` matches `wide` as well; may err towards no."""
    if narrow.startswith("$share/") or wide.startswith("$share/"):
        return False
    wide_levels, narrow_levels = wide.split("/"), narrow.split("/")
    if narrow_levels[-1] == "#" and (wide_levels[-1] != "#" or len(wide_levels) > len(narrow_levels)):
        return False
    # Read as a topic, "+" fits only "+" and "#" of the wider filter. "$…" topics begin with no wildcard.
    return topic_matches_sub(wide, narrow)
