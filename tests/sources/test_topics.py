"""MQTT topic filters: the rules of the standard, and which channels a message is for."""

from typing import Any

import pytest
from pydantic import ValidationError

from tankwatch.config import ChannelConfig
from tankwatch.decode.channel import BoundChannel
from tankwatch.sources.topics import TopicTable, matches


def bound(topic: str, tank: str = "t01", kind: str = "temperature") -> BoundChannel:
    config = ChannelConfig.model_validate({"kind": kind, "source": "s", "topic": topic, "decode": "number"})
    return BoundChannel(tank, config)


def test_which_topics_a_filter_matches(format_checks: dict[str, dict[str, Any]]) -> None:
    """OASIS MQTT 5.0 and 3.1.1, sections 4.7.1 to 4.7.3."""
    row = format_checks["mqtt.match"]
    pairs = row["inputs"]["filter_topic"]
    assert [matches(topic_filter, topic) for topic_filter, topic in pairs] == row["expected"]["match"]


def test_which_filters_are_valid(format_checks: dict[str, dict[str, Any]]) -> None:
    """OASIS MQTT 5.0, sections 4.7.1 and 4.7.3."""
    row = format_checks["mqtt.valid"]
    for topic_filter, valid in zip(row["inputs"]["filter"], row["expected"]["valid"], strict=True):
        if valid:
            assert bound(topic_filter).config.topic == topic_filter
        else:
            with pytest.raises(ValidationError, match="topic filter"):
                bound(topic_filter)


def test_a_shared_subscription_matches_as_its_filter_does() -> None:
    """OASIS MQTT 5.0, section 4.8.2."""
    assert matches("$share/watch/fish/+/state", "fish/t01/state")
    assert not matches("$share/watch/fish/+/state", "fish/t01/other")


def test_one_message_may_be_for_several_channels_and_tanks() -> None:
    table = TopicTable("s", [bound("fish/t01/c"), bound("fish/+/c", "t02"), bound("room/air", "t01", "air")])
    readings = table.decoder("fish/t01/c").decode(b"24.5", 1_790_000_000.0).readings
    assert [(r.tank, r.value) for r in readings] == [("t01", 24.5), ("t02", 24.5)]
    assert table.decoder("fish/t01/c") is table.decoder("fish/t01/c")
    assert table.decoder("fish/other").decode(b"24.5", 1_790_000_000.0).readings == []


@pytest.mark.parametrize(
    ("filters", "subscribed"),
    [
        (["fish/t01/c", "fish/t01/c"], ["fish/t01/c"]),
        (["fish/t01/c", "fish/+/c", "fish/#"], ["fish/#"]),
        (["fish/+/c", "fish/t01/+"], ["fish/+/c", "fish/t01/+"]),
        (["#", "$SYS/x"], ["#", "$SYS/x"]),
        (["a/+", "a/#"], ["a/#"]),
        (["a/+/#", "a/#"], ["a/#"]),
        (["a/+", "a/b/#"], ["a/+", "a/b/#"]),
        (["a/+/#", "a/b"], ["a/+/#"]),
        (["$share/w/a/#", "a/b"], ["$share/w/a/#", "a/b"]),
    ],
)
def test_covered_filters_are_not_subscribed_twice(filters: list[str], subscribed: list[str]) -> None:
    table = TopicTable("s", [bound(topic) for topic in filters])
    assert sorted(table.subscriptions()) == sorted(subscribed)


def test_invented_topics_do_not_fill_the_memory() -> None:
    table = TopicTable("s", [bound("#")])
    for n in range(10_050):
        table.decoder(f"x/{n}")
    assert len(table._decoders) <= 10_000
