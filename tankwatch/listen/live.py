"""Whether every channel of a configuration really hears something, and if not, why not.

`LiveCheck` is pure: arrivals in, one verdict for each channel out.
"""

import difflib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from tankwatch.config import Config, OneWireSourceConfig, SerialSourceConfig
from tankwatch.decode.channel import FAULT_CODES_C, BoundChannel
from tankwatch.decode.decoder import Decoded, Decoder
from tankwatch.decode.refused import Reason, Refused
from tankwatch.listen.capture import Arrival
from tankwatch.listen.unpack import Found, unpack
from tankwatch.reading import Channel, Reading
from tankwatch.safetext import safe_text
from tankwatch.sources.source_set import channels_of
from tankwatch.sources.topics import matches

CLOCK_OFF_S = 5.0
"""A stamp further than this ahead of its arrival comes from a clock that is wrong."""
_BEHIND_S = 3600.0
"""Stamps lag when readings were buffered; more than this is worth a word."""
_MOST_PLACES = 5_000
_SHOWN = 8


@dataclass
class _Watched:
    """One channel and what has come for it."""

    channel: BoundChannel
    source: str
    reading: Reading | None = None
    arrived_s: float = 0.0
    ahead_s: float | None = None
    """How far the newest stamp was ahead of its arrival, s; negative: behind; None without stamps."""
    why: str = ""
    """Why the newest payload on its topic or port gave no reading."""
    raw: bytes = b""

    @property
    def is_fresh(self) -> bool:
        return self.reading is not None and not self.reading.retained


@dataclass(frozen=True, slots=True)
class Verdict:
    """How one channel stands."""

    tank: str
    kind: str
    source: str
    seen: bool
    """A fresh reading came."""
    fine: bool
    """And there is nothing to look into."""
    value: float | None = None
    text: str | None = None
    age_s: float | None = None
    why: str = ""
    """What is wrong and what to do; empty where all is well."""
    raw: str = field(default="")


class LiveCheck:
    """Compares what arrives with the channels of `config`."""

    def __init__(self, config: Config) -> None:
        """Expect one reading of each channel."""
        self._sources = {source.id: source for source in config.source}
        self._watched = [
            _Watched(channel, source.id)
            for source in config.source
            for channel in channels_of(source.id, config)
        ]
        self._places: dict[str, dict[str, None]] = {source.id: {} for source in config.source}
        self._topics_of = {
            source.id: {w.channel.config.topic or "" for w in self._watched if w.source == source.id}
            for source in config.source
        }

    @property
    def complete(self) -> bool:
        """Whether every channel has given a fresh reading."""
        return all(watched.is_fresh for watched in self._watched)

    def filters(self, source_id: str) -> list[str]:
        """Return the topic filters to listen to: the channels' own, and all others for a hint."""
        return [*sorted(self._topics_of[source_id] - {"", "#"}), "#"]

    def take(self, arrival: Arrival) -> None:
        """Take in one arrival."""
        places = self._places[arrival.source]
        if len(places) < _MOST_PLACES:
            places.setdefault(arrival.where)
        mine = [w for w in self._watched if w.source == arrival.source and _is_for(w.channel, arrival)]
        if not mine:
            return
        together = _decode([w.channel for w in mine], arrival)
        for watched in mine:
            if watched.is_fresh and arrival.retained:
                continue
            own = next((r for r in together.readings if _is_of(r, watched.channel)), None)
            watched.raw = arrival.payload
            if own is not None:
                watched.reading, watched.arrived_s, watched.why = own, arrival.arrived_s, ""
                watched.ahead_s = _ahead_s(arrival, watched.channel)
            elif watched.reading is None:
                watched.why = _why_refused(watched.channel, arrival)

    def verdicts(self, now_s: float, waited_s: float, trouble: Mapping[str, str]) -> list[Verdict]:
        """Return one verdict for each channel; `trouble` says what is wrong with a source."""
        return [self._verdict(watched, now_s, waited_s, trouble) for watched in self._watched]

    def _verdict(self, w: _Watched, now_s: float, waited_s: float, trouble: Mapping[str, str]) -> Verdict:
        tank, kind = w.channel.tank, w.channel.config.kind
        raw = safe_text(w.raw, 160)
        if w.reading is None:
            why = self._why_unseen(w, waited_s, trouble)
            return Verdict(tank, kind.value, w.source, seen=False, fine=False, why=why, raw=raw)
        why = _why_odd(w)
        return Verdict(
            tank,
            kind.value,
            w.source,
            seen=w.is_fresh,
            fine=not why,
            value=None if kind is Channel.SERVICE else w.reading.value,
            text=_words_of(w.reading),
            age_s=round(max(0.0, now_s - w.reading.time_s), 1),
            why=why,
            raw=raw,
        )

    def _why_unseen(self, w: _Watched, waited_s: float, trouble: Mapping[str, str]) -> str:
        config, places = w.channel.config, list(self._places[w.source])
        if w.why:
            return w.why
        if w.source in trouble and not places:
            return trouble[w.source]
        source = self._sources[w.source]
        if isinstance(source, SerialSourceConfig):
            return f"the port is open, but no line came in {waited_s:.0f} s; check baud and cable"
        if isinstance(source, OneWireSourceConfig):
            there = ", ".join(places[:_SHOWN]) or "none"
            return f"no sensor {config.name} on the bus; there are: {there}"
        near = difflib.get_close_matches(config.topic or "", places, n=3, cutoff=0.6)
        if near:
            return f"nothing on topic {config.topic} in {waited_s:.0f} s; heard near it: {', '.join(near)}"
        others = f"{len(places)} other topics were heard" if places else "no topic at all was heard"
        return f"nothing on topic {config.topic} in {waited_s:.0f} s; {others}"


def _is_for(channel: BoundChannel, arrival: Arrival) -> bool:
    if arrival.kind == "mqtt":
        return matches(channel.config.topic or "", arrival.where)
    return arrival.kind == "serial" or channel.config.name == arrival.where


def _is_of(reading: Reading, channel: BoundChannel) -> bool:
    kind = Channel.POWER if reading.channel is Channel.MAINS else reading.channel
    return (reading.tank, kind) == (channel.tank, channel.config.kind)


def _words_of(reading: Reading) -> str | None:
    if reading.channel is Channel.MAINS:
        return "mains there" if reading.value else "mains gone"
    return reading.text


def _decode(channels: list[BoundChannel], arrival: Arrival) -> Decoded:
    """Decode for channels as the watch does."""
    if arrival.decoded is None:
        decoder = Decoder(arrival.source, channels, by_line=arrival.kind == "serial")
        return decoder.decode(arrival.payload, arrival.arrived_s, retained=arrival.retained)
    decoded = Decoded([], list(arrival.decoded.refused))
    for sensed in arrival.decoded.readings:
        for channel in channels:
            try:
                decoded.readings.append(
                    channel.reading(sensed.value, "Cel", sensed.time_s, False, arrival.source)
                )
            except Refused as refused:
                decoded.refused.append(refused)
    return decoded


def _why_refused(channel: BoundChannel, arrival: Arrival) -> str:
    """Return why this payload gives no reading of this channel, with what is there instead."""
    refusals = [r for r in _decode([channel], arrival).refused if r.reason is not Reason.CLOCK]
    refused = refusals[0] if refusals else Refused(Reason.NO_RECORD, "nothing in it belongs to this channel")
    try:
        found = unpack(arrival.payload, arrival.arrived_s, by_line=arrival.kind == "serial")
    except Refused:
        return str(refused)
    if refused.reason is Reason.POINTER_MISS:
        there = _listed(one.decode.removeprefix("pointer:") for one in found if ":" in one.decode)
        return f"{channel.config.decode} leads nowhere; the payload has: {there or 'no JSON keys'}"
    if refused.reason is Reason.NO_RECORD:
        there = _listed(one.name for one in found if one.name)
        wanted = " or ".join(channel.wanted_names)
        return f"no record {wanted} in it; records there: {there or 'none'}"
    hint = ""
    if refused.reason in (Reason.NOT_SENML, Reason.NOT_JSON) and channel.config.decode == "senml" and found:
        hint = f'; decode = "{found[0].decode}" reads {_shown(found[0])}'
    return f"{refused}{hint}"


def _listed(names: Any) -> str:
    listed = list(dict.fromkeys(names))
    more = f" and {len(listed) - _SHOWN} more" if len(listed) > _SHOWN else ""
    return safe_text(", ".join(listed[:_SHOWN]), 400) + more


def _shown(found: Found) -> str:
    return f"{found.value:g}" if type(found.value) is float else str(found.value)


def _ahead_s(arrival: Arrival, channel: BoundChannel) -> float | None:
    """Return how far the payload's newest own stamp is ahead of its arrival, s."""
    if arrival.decoded is not None or channel.config.decode != "senml":
        return None
    try:
        found = unpack(arrival.payload, arrival.arrived_s, by_line=arrival.kind == "serial")
    except Refused:
        return None
    stamps = [
        one.stamp_s / (1000.0 if one.stamp_s > 1e11 else 1.0) for one in found if one.stamp_s is not None
    ]
    return max(stamps) - arrival.arrived_s if stamps else None


def _why_odd(w: _Watched) -> str:
    """Return what is to be looked into although a reading came."""
    reading = w.reading
    if reading is None:
        return ""
    if reading.retained:
        return "only a message that the broker kept, from an unknown time: nobody publishes it now"
    if reading.channel in (Channel.TEMPERATURE, Channel.AIR) and reading.value in FAULT_CODES_C:
        return f"{reading.value:g} is what a 1-wire probe says before it has measured, or without connection"
    if w.ahead_s is not None and w.ahead_s > CLOCK_OFF_S:
        return f"the probe's clock is {w.ahead_s:.0f} s ahead; set it, by NTP for example"
    if w.ahead_s is not None and w.ahead_s < -_BEHIND_S:
        return f"its newest time is {-w.ahead_s:.0f} s old: a slow clock, or readings from an outage"
    return ""


def as_lines(verdicts: list[Verdict]) -> Iterator[str]:
    """Yield the verdicts in words, one or two lines each; nothing in them can steer a terminal."""
    for v in verdicts:
        place = f"{v.tank:<12} {v.kind:<11}"
        if v.age_s is not None:
            shown = v.text if v.text is not None else f"{v.value:g}"
            state = "seen" if v.seen else "OLD"
            yield safe_text(f"{place} {state:<8} {shown}, {v.age_s:.1f} s old ({v.source})", 400)
        else:
            yield safe_text(f"{place} NOT SEEN ({v.source})", 400)
        if v.why:
            yield safe_text(f"    {v.why}", 600)
            if v.raw and not v.seen:
                yield safe_text(f"    received: {v.raw}", 400)
