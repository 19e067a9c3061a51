"""Listening for a while: from arrivals to streams, to what they seem to be, to a configuration."""

from collections import Counter
from collections.abc import Iterator
from typing import Any

from tankwatch.decode.refused import Refused
from tankwatch.listen.capture import Arrival
from tankwatch.listen.guess import guess
from tankwatch.listen.propose import Heard, propose
from tankwatch.listen.stream import Place, Stream
from tankwatch.listen.unpack import Found, unpack
from tankwatch.safetext import safe_text

MOST_STREAMS = 5_000


class Listening:
    """Sorts arrivals into streams; `take` them in order of arrival."""

    def __init__(self) -> None:
        """Start with nothing heard."""
        self.streams: dict[Place, Stream] = {}
        self.unreadable: dict[tuple[str, str], tuple[Counter[str], bytes]] = {}
        """By source and topic or port: why payloads could not be read, and the newest of them."""
        self.left_out = 0
        """Values of streams beyond the first 5,000."""

    def take(self, arrival: Arrival) -> None:
        """Take in one arrival."""
        try:
            found = _found(arrival)
        except Refused as refused:
            at = (arrival.source, arrival.where)
            counted = self.unreadable.get(at, (Counter(), b""))[0]
            counted[refused.reason.value] += 1
            self.unreadable[at] = (counted, arrival.payload)
            for place, known in self.streams.items():
                if (place.source, place.where) == at:
                    known.refused[refused.reason.value] += 1
            return
        for one in found:
            place = Place(arrival.source, arrival.kind, arrival.where, one.decode, one.name)
            stream = self.streams.get(place)
            if stream is None:
                if len(self.streams) >= MOST_STREAMS:
                    self.left_out += 1
                    continue
                stream = self.streams[place] = Stream(place)
            stream.add(one, arrival.payload, arrival.arrived_s, arrival.retained)

    def heard(self) -> list[Heard]:
        """Return the streams with what they seem to be, those of a tank first."""
        found = [Heard(stream, guess(stream)) for stream in self.streams.values()]
        order = {"temperature": 0, "heater": 1, "light": 2, "air": 3}
        return sorted(
            found,
            key=lambda h: (order.get(h.guess.kind.value, 4) if h.guess.kind else 5, h.stream.place.label),
        )

    def report(self, sources: list[str]) -> dict[str, Any]:
        """Return all that was heard as plain data, fit for JSON; `sources` as for `propose`."""
        heard = self.heard()
        proposal = propose(heard, sources)
        return {
            "streams": [_stream(one, proposal.left_out.get(one.stream.place)) for one in heard],
            "unreadable": [
                {"source": at[0], "where": at[1], "reasons": dict(counted), "raw": safe_text(raw, 200)}
                for at, (counted, raw) in self.unreadable.items()
            ],
            "left_out": self.left_out,
            "configuration": proposal.text,
        }


def _found(arrival: Arrival) -> list[Found]:
    if arrival.decoded is None:
        return unpack(arrival.payload, arrival.arrived_s, by_line=arrival.kind == "serial")
    if not arrival.decoded.readings:
        raise arrival.decoded.refused[0]
    return [
        Found("senml", None, reading.value, "Cel", reading.time_s) for reading in arrival.decoded.readings
    ]


def _stream(heard: Heard, why_left_out: str | None) -> dict[str, Any]:
    stream, seems = heard.stream, heard.guess
    faults = stream.faults()
    if why_left_out is not None:
        faults.append(f"left out of the configuration, which would not load with it: {why_left_out}")
    value = stream.values[-1] if stream.values else None
    interval_s = stream.interval_s
    return {
        "source": stream.place.source,
        "where": stream.place.where,
        "decode": stream.place.decode,
        "name": stream.place.name,
        "seems": seems.what,
        "kind": seems.kind.value if seems.kind else None,
        "why": seems.why,
        "value": value,
        "unit": stream.unit,
        "count": stream.count,
        "interval_s": None if interval_s is None else round(interval_s, 2),
        "faults": faults,
        "raw": safe_text(stream.raw, 200),
    }


def as_lines(report: dict[str, Any]) -> Iterator[str]:
    """Yield a report in words; nothing in it can steer a terminal."""
    for stream in report["streams"]:
        place = " ".join(part for part in (stream["where"], stream["name"]) if part)
        way = stream["decode"] if stream["decode"].startswith("pointer:") else ""
        pace = "" if stream["interval_s"] is None else f", every {stream['interval_s']:g} s"
        value = f"{stream['value']:g}" if type(stream["value"]) is float else str(stream["value"])
        why = f" ({stream['why']})" if stream["why"] else ""
        yield safe_text(f"{stream['source']}: {place} {way}".rstrip(), 300)
        yield safe_text(f"    {stream['seems']}{why}: {value} {stream['unit'] or ''}".rstrip() + pace, 300)
        yield from (safe_text(f"    fault: {fault}", 300) for fault in stream["faults"])
        yield safe_text(f"    {stream['raw']}", 300)
    for one in report["unreadable"]:
        reasons = ", ".join(f"{count} times {reason}" for reason, count in one["reasons"].items())
        yield safe_text(f"{one['source']}: {one['where']}: cannot be read: {reasons}", 300)
        yield safe_text(f"    {one['raw']}", 300)
    if report["left_out"]:
        yield f"and {report['left_out']} values of further streams"
