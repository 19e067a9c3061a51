"""The whole step from a payload to readings, for the channels that share one topic or one port.

The stamp of a record is kept, however old: probes buffer while their link is down. One that cannot be right,
more than a minute ahead or before the year 2001, gives way to the time of arrival.
"""

import math
import re
from collections.abc import Sequence
from typing import Any, Literal, NamedTuple, TypeVar

from tankwatch.decode import json_text, lines, pointer, senml
from tankwatch.decode.channel import BoundChannel
from tankwatch.decode.refused import Reason, Refused
from tankwatch.decode.shape import Found, Shape, Shapes
from tankwatch.reading import Reading

AHEAD_LIMIT_S = 60.0
"""How far a probe's clock may run ahead of this machine's."""
YEAR_2001_S = 978_307_200.0
"""2001-01-01T00:00:00Z: a stamp before it comes from a clock that was never set."""

_MILLISECONDS_FROM = 1e11
"""A stamp beyond the year 5000 was counted in milliseconds, against RFC 8428 but by many a device."""

_T = TypeVar("_T")
_NAME_ENDS = ("/", ":")
_MAX_ROUTES = 10_000
_MAX_PLANS = 100
"""A device says the same names again and again; one that does not must not fill the memory."""

_Plan = tuple[list[tuple[BoundChannel, int]], list[Refused]]
"""Each channel with the place in the pack that it takes, and what is refused."""


class Decoded(NamedTuple):
    """What one payload gave: readings in order of their stamps, and what was refused of it."""

    readings: list[Reading]
    refused: list[Refused]
    """Also a `Reason.CLOCK` for every value whose stamp was replaced."""


class Decoder:
    """Decodes payloads for `channels`; `decode` never raises, whatever the bytes.

    In a SenML pack a channel takes the record whose whole name is the channel's `name`, or `TANK/KIND` or
    `KIND` where it has none; failing that, the one whose name ends so after a slash or colon (a device that
    sends its own base name). A record under the name of another of these tanks is never taken.
    """

    def __init__(self, source: str, channels: Sequence[BoundChannel], *, by_line: bool = False) -> None:
        """Decode for `channels`; `by_line` for a serial port: name=value pairs too, checksums checked."""
        self._source = source
        self._by_line = by_line
        self._tanks = {channel.tank for channel in channels}
        self._named = [c for c in channels if c.config.decode == "senml"]
        self._bare = [c for c in channels if c.config.decode in {"number", "onoff"}]
        self._pointed = [
            (c, pointer.split(c.config.decode.removeprefix("pointer:")))
            for c in channels
            if c.config.decode.startswith("pointer:")
        ]
        self._routes: dict[str, list[tuple[BoundChannel, bool]]] = {}
        self._plans: dict[tuple[str, ...], _Plan] = {}
        self._shapes = Shapes(_MAX_PLANS, lambda shape: shape) if self._named and not self._pointed else None

    def decode(self, payload: bytes, arrived_s: float, *, retained: bool = False) -> Decoded:
        """Return the readings in `payload`, which arrived at `arrived_s` (seconds since 1970 UTC)."""
        step = _Step(self._source, arrived_s, retained)
        if len(payload) > json_text.MAX_PAYLOAD_BYTES:
            limit = json_text.MAX_PAYLOAD_BYTES
            step.refused.append(Refused(Reason.TOO_LONG, f"{len(payload)} bytes; at most {limit} are taken"))
            return Decoded([], step.refused)
        if self._by_line:
            try:
                payload = lines.without_checksum(payload)
            except Refused as refused:
                return Decoded([], [refused])
        if self._named or self._pointed:
            try:
                if self._by_line and not payload.lstrip().startswith((b"[", b"{")):
                    self._take_pairs(payload, step)
                else:
                    self._take_json(payload, step)
            except Refused as refused:
                step.refused.append(refused)
        for channel in self._bare:
            step.take_text(channel, payload)
        if not step.readings and not step.refused:
            step.refused.append(Refused(Reason.NO_RECORD, "nothing in it belongs to a channel"))
        if len(step.readings) > 1 and not step.is_of_one_time:
            step.readings.sort(key=_stamp)
        return Decoded(step.readings, step.refused)

    def _take_json(self, payload: bytes, step: "_Step") -> None:
        if self._shapes is not None:
            of_shape = self._shapes.find(payload)
            if of_shape is not None:
                self._take_found(of_shape, step)
                return
        document = json_text.parse(payload)
        for channel, tokens in self._pointed:
            try:
                found = _bare_value(pointer.find(document, tokens))
            except Refused as refused:
                step.refused.append(refused)
                continue
            if isinstance(found, str):
                step.take_text(channel, found)
            else:
                step.take(channel, found, None, step.arrived_s)
        if self._named:
            records = senml.resolve_pack(document, step.arrived_s)
            for channel, place in self._places(tuple([record[0] for record in records]), step):
                _, unit, time_s, value = records[place]
                step.take(channel, value, unit, time_s)

    def _take_found(self, found: Found[Shape], step: "_Step") -> None:
        shape, values, times_s = found
        if len(times_s) == 1 and not self._bare:
            step.is_of_one_time = True
        now_s = step.arrived_s
        stamps_s = [now_s + time_s if time_s < senml.ABSOLUTE_FROM_S else time_s for time_s in times_s]
        units, time_of, take = shape.units, shape.time_of, step.take
        for channel, place in self._places(shape.names, step):
            take(channel, values[place], units[place], stamps_s[time_of[place]])

    def _take_pairs(self, payload: bytes, step: "_Step") -> None:
        pairs = lines.pairs(payload)
        for channel, place in self._places(tuple([name for name, _ in pairs]), step):
            step.take_text(channel, pairs[place][1])

    def _places(self, names: tuple[str, ...], step: "_Step") -> list[tuple[BoundChannel, int]]:
        """Return the channels that take something of a pack with records of these names, and which record."""
        plan = self._plans.get(names)
        if plan is None:
            if len(self._plans) >= _MAX_PLANS:
                self._plans.clear()
            plan = self._plans[names] = self._plan(names)
        if plan[1]:
            step.refused.extend(plan[1])
        return plan[0]

    def _plan(self, names: tuple[str, ...]) -> "_Plan":
        """Work out, for records of these names in one pack, which channel takes which of them."""
        if len(names) == 1:
            return [(channel, 0) for channel, _ in self._route(names[0])], []
        places: list[tuple[BoundChannel, int]] = []
        refused: list[Refused] = []
        by_channel: dict[int, list[tuple[str, bool, BoundChannel, int]]] = {}
        for place, name in enumerate(names):
            for channel, is_whole in self._route(name):
                by_channel.setdefault(id(channel), []).append((name, is_whole, channel, place))
        for hits in by_channel.values():
            if any(is_whole for _, is_whole, _, _ in hits):
                hits = [hit for hit in hits if hit[1]]
            first = hits[0][0]
            other = next((name for name, _, _, _ in hits if name != first), None)
            if other is not None:
                refused.append(Refused(Reason.AMBIGUOUS, f"both {first!r} and {other!r} fit one channel"))
                continue
            places.extend((channel, place) for _, _, channel, place in hits)
        return places, refused

    def _route(self, name: str) -> list[tuple[BoundChannel, bool]]:
        """Return the channels that a record called `name` may be for, and whether its whole name fits."""
        route = self._routes.get(name)
        if route is None:
            if len(self._routes) >= _MAX_ROUTES:  # a device that invents names must not fill the memory
                self._routes.clear()
            route = [(c, fit == "whole") for c in self._named if (fit := self._fit(c, name)) != "none"]
            self._routes[name] = route
        return route

    def _fit(self, channel: BoundChannel, name: str) -> Literal["whole", "end", "none"]:
        wanted = channel.wanted_names
        if name in wanted:
            return "whole"
        for end in wanted:
            if name.endswith(end) and name[: -len(end)].endswith(_NAME_ENDS):
                head = name[: -len(end) - 1]
                owner = re.split(r"[/:]", head)[-1]
                return "none" if owner in self._tanks and owner != channel.tank else "end"
        return "none"


class _Step:
    """Collects what one payload gives."""

    __slots__ = (
        "arrived_s", "earliest_s", "is_of_one_time", "latest_s", "readings", "refused", "retained", "source",
    )  # fmt: skip

    def __init__(self, source: str, arrived_s: float, retained: bool) -> None:
        self.source = source
        self.arrived_s = arrived_s
        self.retained = retained
        self.readings: list[Reading] = []
        self.refused: list[Refused] = []
        self.is_of_one_time = False
        self.latest_s = arrived_s + AHEAD_LIMIT_S
        # While this machine's own clock is not set either, the year says nothing.
        self.earliest_s = YEAR_2001_S if arrived_s >= YEAR_2001_S else 0.0

    def take(
        self, channel: BoundChannel, raw: float | bool | str, unit: str | None, time_s: float | None
    ) -> None:
        """Add the reading for `raw`, or its refusal."""
        if time_s is not None and time_s > _MILLISECONDS_FROM and time_s / 1000 >= self.earliest_s:
            time_s /= 1000
        if time_s is None or not self.earliest_s <= time_s <= self.latest_s:
            self.refused.append(Refused(Reason.CLOCK, f"stamp {time_s} replaced by the time of arrival"))
            time_s = self.arrived_s
        try:
            self.readings.append(channel.reading(raw, unit, time_s, self.retained, self.source))
        except Refused as refused:
            self.refused.append(refused)

    def take_text(self, channel: BoundChannel, text: bytes | str) -> None:
        """Add the reading for a bare number or word, or its refusal."""
        try:
            raw, unit = channel.from_text(text)
        except Refused as refused:
            self.refused.append(refused)
            return
        self.take(channel, raw, unit, self.arrived_s)


def _bare_value(found: Any) -> float | bool | str:
    """Return what a pointer found, if it is a value that a channel can take."""
    if isinstance(found, bool | str):
        return found
    if not isinstance(found, int | float):
        kind = "null" if found is None else "an object" if isinstance(found, dict) else "an array"
        raise Refused(
            Reason.WRONG_TYPE, f"the pointer leads to {kind}; expected a number, text or truth value"
        )
    try:
        number = float(found)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise Refused(Reason.NOT_FINITE, "beyond the range of a double")
    return number


def _stamp(reading: Reading) -> float:
    return reading.time_s
