"""SenML JSON lines (RFC 8428): a pack a line, names TANK/CHANNEL, absolute times; replay takes it.

Level and flow come without a unit symbol: they are in cm and L/h, which SenML has only as secondary units or
not at all, and a conversion would not read back as the same double. Who set a service mark is not carried.
A record of power is in W, or a truth value: the mains are there.
"""

import json
from collections.abc import Callable, Iterable, Iterator
from functools import lru_cache
from typing import BinaryIO, TextIO

from tankwatch.decode.refused import Refused
from tankwatch.decode.senml import ABSOLUTE_FROM_S, Record, resolve
from tankwatch.decode.units import to_channel_unit
from tankwatch.reading import KINDS, ON_OFF_CHANNELS, Channel, Reading
from tankwatch.transfer.stored_rows import Row
from tankwatch.transfer.taken import IMPORTED, OnRefused, checked, mark_word

_UNITS = {
    Channel.TEMPERATURE: "Cel",
    Channel.AIR: "Cel",
    Channel.POWER: "W",
    Channel.HUMIDITY: "%RH",
    Channel.PH: "pH",
}
_CHANNELS = {channel.value: channel for channel in KINDS}


def write_senml(
    rows: Iterable[Row], file: TextIO, on_left_out: Callable[[Row], None] = lambda row: None
) -> int:
    """Write `rows`; return how many lines.

    Rows before 1978, of a board without a clock, cannot be told: SenML takes such times as relative to now.
    `on_left_out` is called with each.
    """
    count = 0
    for row in rows:
        if row.time_us < ABSOLUTE_FROM_S * 1e6:
            on_left_out(row)
            continue
        time = _seconds(row.time_us)
        records = [
            f'{{{_name(row.tank, channel)},"t":{time},{_value(channel, value)}}}'
            for channel, value in row.values.items()
        ]
        if row.mark is not None:
            records.append(f'{{{_name(row.tank, Channel.SERVICE)},"t":{time},"vs":"{row.mark}"}}')
        file.write(f"[{','.join(records)}]\n")
        count += 1
    return count


def read_senml(file: BinaryIO, on_refused: OnRefused) -> Iterator[Reading]:
    """Yield the readings of a file of packs, one a line."""
    for number, line in enumerate(file, 1):
        if not line.strip():
            continue
        try:
            records = resolve(line)
        except Refused as error:
            on_refused(number, str(error))
            continue
        for record in records:
            try:
                yield _reading(record)
            except Refused as error:
                on_refused(number, str(error))
            except ValueError as error:
                on_refused(number, f"{record.name[:60]}: {error}")


def _reading(record: Record) -> Reading:
    """Return the reading that a record stands for.

    Raises:
        Refused: an absurd value or a wrong unit.
        ValueError: a name, a time or a value that cannot be taken.
    """
    tank, _, kind = record.name.rpartition("/")
    channel = _CHANNELS.get(kind)
    if not tank or channel is None:
        raise ValueError("expected a name TANK/CHANNEL")
    if record.time_s is None:
        raise ValueError("expected an absolute time")
    # Sums of base and own time are off by less than this; readings are kept to the millisecond.
    time_s = round(record.time_s * 1e6) / 1e6
    value = record.value
    if channel is Channel.SERVICE:
        if not isinstance(value, str) or mark_word(value) is None:
            raise ValueError("expected a service word")
        return Reading(tank, channel, time_s, 0.0, value, source=IMPORTED)
    if isinstance(value, str):
        raise ValueError("expected a number or a truth value")
    if channel is Channel.POWER and isinstance(value, bool):
        channel = Channel.MAINS
    if channel in ON_OFF_CHANNELS:
        return Reading(tank, channel, time_s, checked(channel, float(value)))
    return Reading(tank, channel, time_s, checked(channel, to_channel_unit(channel, value, record.unit)))


@lru_cache(maxsize=8192)
def _name(tank: str, channel: Channel) -> str:
    unit = f',"u":"{_UNITS[channel]}"' if channel in _UNITS else ""
    name = Channel.POWER if channel is Channel.MAINS else channel
    return f'"n":{json.dumps(f"{tank}/{name.value}", ensure_ascii=False)}{unit}'


def _value(channel: Channel, value: float) -> str:
    if channel in ON_OFF_CHANNELS and value in (0.0, 1.0):
        return '"vb":true' if value else '"vb":false'
    return f'"v":{value!r}'


def _seconds(time_us: int) -> str:
    """Return the exact decimal of a time in seconds."""
    whole, part = divmod(abs(time_us), 1_000_000)
    sign = "-" if time_us < 0 else ""
    return f"{sign}{whole}" + (f".{part:06}".rstrip("0") if part else "")
