"""CSV (RFC 4180, but lines end in a line feed): a row a time and tank, units in the headers, times in UTC."""

import csv
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta
from typing import TextIO

from tankwatch.decode import scalar
from tankwatch.decode.refused import Refused
from tankwatch.errors import UsageError
from tankwatch.reading import Channel, Reading
from tankwatch.transfer.csv_rows import CsvRows
from tankwatch.transfer.stored_rows import Row
from tankwatch.transfer.taken import IMPORTED, OnRefused, checked, mark_word

HEADERS: dict[Channel, str] = {
    Channel.TEMPERATURE: "temperature_c",
    Channel.HEATER: "heater_on",
    Channel.LIGHT: "light_on",
    Channel.AIR: "air_c",
    Channel.POWER: "power_w",
    Channel.HUMIDITY: "humidity_percent",
    Channel.LEVEL: "level_cm",
    Channel.FLOW: "flow_l_per_h",
    Channel.PH: "ph",
    Channel.MAINS: "mains_on",
}
"""Column of each channel; heater, light and mains are 1 or 0."""
TIME, TANK, SERVICE, SERVICE_BY = "time_utc", "tank", "service", "service_by"
COLUMNS = (TIME, TANK, *HEADERS.values(), SERVICE, SERVICE_BY)

_BEGINS_A_FORMULA = "=+-@\t\0\r\n＝＋－＠'"
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


def write_csv(rows: Iterable[Row], file: TextIO) -> int:
    """Write `rows` with a header; return how many."""
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(COLUMNS)
    count = 0
    for row in rows:
        values = row.values
        cells = [_number(values[channel]) if channel in values else "" for channel in HEADERS]
        mark = (row.mark or "", _guarded(row.mark_by or ""))
        writer.writerow((time_text(row.time_us), row.tank, *cells, *mark))
        count += 1
    return count


def read_csv(file: TextIO, on_refused: OnRefused) -> Iterator[Reading]:
    """Yield the readings of a file with columns such as `write_csv` makes, in any order of columns.

    Raises:
        UsageError: a column is missing or not known; a logger's file needs a mapping.
    """
    lines = CsvRows(file, on_refused)
    header = lines.header
    unknown = [name for name in header if name not in COLUMNS]
    if TIME not in header or TANK not in header or unknown:
        what = f"unknown column {unknown[0]!r}" if unknown else f"no column {TIME} or {TANK}"
        raise UsageError(
            f"{what}: expected {', '.join(COLUMNS)}; for another logger's file name its columns with "
            "--time and --column"
        )
    place = {name: index for index, name in enumerate(header)}
    channels = [(channel, place[name]) for channel, name in HEADERS.items() if name in place]
    for number, cells in lines:
        if not cells:
            continue
        if len(cells) != len(header):
            on_refused(number, f"{len(cells)} cells under {len(header)} columns")
            continue
        time_us = parse_time_us(cells[place[TIME]])
        if time_us is None:
            on_refused(number, f"no time in UTC: {cells[place[TIME]][:40]!r}")
            continue
        tank = cells[place[TANK]]
        for channel, index in channels:
            if cells[index]:
                try:
                    value = float(scalar.number(cells[index]))
                    yield Reading(tank, channel, time_us / 1e6, checked(channel, value))
                except Refused as error:
                    on_refused(number, f"{HEADERS[channel]}: {error}")
        word = cells[place[SERVICE]] if SERVICE in place else ""
        if word:
            if mark_word(word) is None:
                on_refused(number, f"unknown service word {word[:40]!r}")
                continue
            who = _unguarded(cells[place[SERVICE_BY]]) if SERVICE_BY in place else ""
            yield Reading(tank, Channel.SERVICE, time_us / 1e6, 0.0, word, source=who or IMPORTED)


def _guarded(text: str) -> str:
    """Return `text` such that a spreadsheet takes it for words: a quote before what would begin a formula.

    See CWE-1236 and OWASP ASVS 5.0, 1.2.10. `_unguarded` gives back the very text.
    """
    return "'" + text if text[:1] in _BEGINS_A_FORMULA and text else text


def _unguarded(text: str) -> str:
    return text[1:] if text[:1] == "'" and text[1:2] and text[1] in _BEGINS_A_FORMULA else text


def time_text(time_us: int) -> str:
    """Return a time as RFC 3339 in UTC, to the millisecond, or to the microsecond where it needs it."""
    spec = "milliseconds" if time_us % 1000 == 0 else "microseconds"
    moment = _EPOCH + timedelta(microseconds=time_us)
    return moment.replace(tzinfo=None).isoformat(timespec=spec) + "Z"


def parse_time_us(text: str) -> int | None:
    """Return a time in ISO 8601 with an offset as microseconds since 1970 UTC; None if it is none."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return None if moment.tzinfo is None else (moment - _EPOCH) // _MICROSECOND


def _number(value: float) -> str:
    """Return the shortest text that reads back as the same double; whole numbers without a fraction."""
    return str(int(value)) if value in (0.0, 1.0) and str(value)[0] != "-" else repr(value)
