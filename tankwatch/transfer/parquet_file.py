"""Parquet by pyarrow (an extra): the columns of the CSV, `time_utc` a time stamp in UTC, in microseconds.

Written and read a group of rows at a time.
"""

from collections.abc import Iterable, Iterator
from itertools import islice
from pathlib import Path
from typing import Any

from tankwatch.decode.refused import Refused
from tankwatch.errors import UsageError
from tankwatch.reading import Channel, Reading
from tankwatch.transfer.csv_file import HEADERS, SERVICE, SERVICE_BY, TANK, TIME
from tankwatch.transfer.stored_rows import Row
from tankwatch.transfer.taken import IMPORTED, OnRefused, checked, mark_word

_GROUP = 65_536


def write_parquet(rows: Iterable[Row], path: Path) -> int:
    """Write `rows` to a file; return how many.

    Raises:
        UsageError: pyarrow is not installed.
    """
    pa, parquet = load_pyarrow()
    schema = pa.schema(
        [
            pa.field(TIME, pa.timestamp("us", tz="UTC"), nullable=False),
            pa.field(TANK, pa.string(), nullable=False),
            *(pa.field(name, pa.float64()) for name in HEADERS.values()),
            pa.field(SERVICE, pa.string()),
            pa.field(SERVICE_BY, pa.string()),
        ]
    )
    count = 0
    rest = iter(rows)
    with parquet.ParquetWriter(path, schema, compression="zstd") as writer:
        while group := list(islice(rest, _GROUP)):
            columns: list[list[Any]] = [
                [row.time_us for row in group],
                [row.tank for row in group],
                *([row.values.get(channel) for row in group] for channel in HEADERS),
                [row.mark for row in group],
                [row.mark_by for row in group],
            ]
            arrays = [pa.array(column, field.type) for column, field in zip(columns, schema, strict=True)]
            writer.write_batch(pa.record_batch(arrays, schema=schema), row_group_size=_GROUP)
            count += len(group)
    return count


def read_parquet(path: Path, on_refused: OnRefused) -> Iterator[Reading]:
    """Yield the readings of a file such as `write_parquet` makes.

    Raises:
        UsageError: pyarrow is not installed, or the file is none of its kind.
    """
    pa, parquet = load_pyarrow()
    try:
        with parquet.ParquetFile(path) as file:
            names = file.schema_arrow.names
            if TIME not in names or TANK not in names:
                raise UsageError(f"{path}: expected the columns {TIME} and {TANK}, got {', '.join(names)}")
            number = 0
            for batch in file.iter_batches(_GROUP):
                yield from _of_batch(batch, names, number, on_refused, pa)
                number += batch.num_rows
    except (pa.ArrowInvalid, OSError) as error:
        raise UsageError(f"{path}: no Parquet file that can be read: {error}") from error


def _of_batch(batch: Any, names: list[str], number: int, on_refused: OnRefused, pa: Any) -> Iterator[Reading]:
    times = batch.column(names.index(TIME))
    if not pa.types.is_timestamp(times.type) or times.type.tz is None:
        raise UsageError(f"expected {TIME} to be a time stamp with a time zone, got {times.type}")
    times_us = times.cast(pa.timestamp("us", tz="UTC")).cast(pa.int64()).to_pylist()
    tanks = batch.column(names.index(TANK)).to_pylist()
    columns = [
        (channel, batch.column(names.index(name)).to_pylist())
        for channel, name in HEADERS.items()
        if name in names
    ]
    empty: list[str | None] = [None] * batch.num_rows
    marks = batch.column(names.index(SERVICE)).to_pylist() if SERVICE in names else empty
    by = batch.column(names.index(SERVICE_BY)).to_pylist() if SERVICE_BY in names else empty
    for i, (time_us, tank) in enumerate(zip(times_us, tanks, strict=True)):
        if time_us is None or tank is None:
            on_refused(number + i + 1, "no time or no tank")
            continue
        for channel, values in columns:
            if values[i] is not None:
                try:
                    yield Reading(tank, channel, time_us / 1e6, checked(channel, float(values[i])))
                except Refused as error:
                    on_refused(number + i + 1, f"{HEADERS[channel]}: {error}")
        word = marks[i]
        if word is not None:
            if mark_word(word) is None:
                on_refused(number + i + 1, f"unknown service word {word[:40]!r}")
                continue
            yield Reading(tank, Channel.SERVICE, time_us / 1e6, 0.0, word, source=by[i] or IMPORTED)


def load_pyarrow() -> tuple[Any, Any]:
    """Return pyarrow and its part for Parquet.

    Raises:
        UsageError: it is not installed.
    """
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ImportError as error:
        raise UsageError("Parquet needs pyarrow: pip install 'tankwatch[parquet]', or use CSV") from error
    return pa, parquet
