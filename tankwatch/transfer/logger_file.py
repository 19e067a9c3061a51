"""A logger's own CSV, read by a mapping of its columns."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import islice
from typing import TextIO
from zoneinfo import ZoneInfo

from tankwatch.decode import scalar
from tankwatch.decode.refused import Refused
from tankwatch.decode.units import to_channel_unit
from tankwatch.errors import UsageError
from tankwatch.reading import ON_OFF_CHANNELS, Channel, Reading
from tankwatch.transfer.csv_rows import CsvRows
from tankwatch.transfer.taken import OnRefused, checked


@dataclass(frozen=True, slots=True)
class Column:
    """Where one column goes."""

    header: str
    tank: str
    channel: Channel
    unit: str | None = None
    """As people write it: C, F, K, W, cm …; None: the channel's own unit."""


@dataclass(frozen=True, slots=True)
class Mapping:
    """How a logger writes its file."""

    time: str
    """Header of the column of times."""
    columns: tuple[Column, ...]
    zone: ZoneInfo
    """Zone of times without an offset."""
    time_format: str | None = None
    """As `strptime` takes it; None: ISO 8601; `unix`: seconds since 1970."""
    delimiter: str = ","
    decimal: str = "."
    skip_lines: int = 0
    """Lines before the header."""


def column_of(text: str) -> Column:
    """Return the column that `HEADER=TANK/CHANNEL[:UNIT]` names.

    Raises:
        UsageError: it is not of that form.
    """
    header, equals, target = text.rpartition("=")
    place, _, unit = target.partition(":")
    tank, slash, kind = place.rpartition("/")
    kinds = [channel.value for channel in Channel if channel is not Channel.SERVICE]
    if not (header and equals and tank and slash) or kind not in kinds:
        raise UsageError(
            f"expected HEADER=TANK/CHANNEL[:UNIT], with a channel of {', '.join(kinds)}, got {text!r}"
        )
    return Column(header, tank, Channel(kind), unit or None)


def read_logger(file: TextIO, mapping: Mapping, on_refused: OnRefused) -> Iterator[Reading]:
    """Yield the readings of a logger's file, in its order.

    Where clocks go back and an hour comes twice, the second is known by the times going back.

    Raises:
        UsageError: a column that the mapping names is not there.
    """
    skipped = mapping.skip_lines
    lines = CsvRows(islice(file, skipped, None), on_refused, delimiter=mapping.delimiter, first=skipped + 1)
    header = [name.strip().removeprefix("\ufeff") for name in lines.header]
    wanted = [mapping.time, *(column.header for column in mapping.columns)]
    for name in wanted:
        if header.count(name) != 1:
            raise UsageError(
                f"expected one column {name!r} in the header, found {header.count(name)}; "
                f"its columns are: {', '.join(header[:30])}"
            )
    places = [(column, header.index(column.header)) for column in mapping.columns]
    clock = _LocalClock(mapping)
    for number, cells in lines:
        if len(cells) < len(header):
            if cells:
                on_refused(number, f"{len(cells)} cells under {len(header)} columns")
            continue
        time_s = clock.seconds(cells[header.index(mapping.time)].strip())
        if time_s is None:
            on_refused(number, f"no time: {cells[header.index(mapping.time)][:40]!r}")
            continue
        for column, index in places:
            text = cells[index].strip()
            if not text:
                continue
            try:
                yield Reading(column.tank, column.channel, time_s, _value(text, column, mapping.decimal))
            except Refused as error:
                on_refused(number, f"{column.header}: {error}")


def _value(text: str, column: Column, decimal: str) -> float:
    if column.channel in ON_OFF_CHANNELS:
        return float(scalar.on_off(text))
    if decimal != ".":
        text = text.replace(decimal, ".")
    if column.unit is None:
        return checked(column.channel, scalar.number(text))
    value, unit = scalar.quantity(f"{text} {column.unit}")
    return checked(column.channel, to_channel_unit(column.channel, value, unit))


class _LocalClock:
    """Turns the times of a file, row after row, into seconds since 1970 UTC."""

    def __init__(self, mapping: Mapping) -> None:
        self._mapping = mapping
        self._last_s = float("-inf")

    def seconds(self, text: str) -> float | None:
        moment = self._parse(text)
        if moment is None:
            return None
        if moment.tzinfo is None:
            local = moment.replace(tzinfo=self._mapping.zone)
            if local.astimezone(UTC).astimezone(self._mapping.zone).replace(tzinfo=None) != moment:
                return None  # clocks jumped over this time: no clock ever showed it
            time_s = local.timestamp()
            if time_s < self._last_s and self._last_s - time_s <= 7200.0:
                time_s = local.replace(fold=1).timestamp()
        else:
            time_s = moment.timestamp()
        self._last_s = time_s
        return time_s

    def _parse(self, text: str) -> datetime | None:
        form = self._mapping.time_format
        try:
            if form == "unix":
                return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=float(text))
            return datetime.fromisoformat(text) if form is None else datetime.strptime(text, form)
        except (ValueError, OverflowError):
            return None
