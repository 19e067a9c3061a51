"""Bytes per reading at rest, charts against DuckDB on a Parquet file, and how both grow with history."""

import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from functools import partial
from pathlib import Path

import numpy as np
from bench_data import JITTER_S, T0_S, days_of, pattern
from bench_table import Row, best_s, compared
from numpy.typing import NDArray

from tankwatch.clock import ManualClock, SystemClock
from tankwatch.reading import Channel, Reading
from tankwatch.store import bulk, rows, schema
from tankwatch.store.block import insert_block
from tankwatch.store.opening import open_store
from tankwatch.store.reader import StoreReader
from tankwatch.store.series import Series
from tankwatch.store.writer import StoreWriter

GORILLA_BYTES = 1.37
"""Bytes per point, time stamp included: Pelkonen et al., Gorilla: a fast, scalable, in-memory time series
database, VLDB 2015, section 5 (figure from memory)."""
BUCKETS = 192
"""Parts of a chart on the tank's page."""


def build(path: Path, channels: list[str], days: float) -> int:
    """Write and seal so many days of one tank; return the number of readings."""
    time_ms, columns = days_of(days)
    count = 0
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA auto_vacuum = INCREMENTAL")
        connection.execute("PRAGMA journal_mode = MEMORY")
        connection.execute("PRAGMA synchronous = OFF")
        schema.migrate(connection)
        ids = rows.SeriesIds(connection)
        clock = ManualClock(wall=float(T0_S))
        for part in _weeks(len(time_ms)):
            for channel in channels:
                connection.execute("BEGIN")
                series_id = ids["t01", channel]
                batch = [
                    (series_id, ms, value)
                    for ms, value in zip(time_ms[part].tolist(), columns[channel][part].tolist(), strict=True)
                ]
                count += rows.insert_readings(connection, batch, {})
                connection.execute("COMMIT")
            # An hour past the next full one: nothing is left unsealed but what waits for its hour.
            clock.wall = time_ms[part][-1] / 1000.0 + 26 * 3600.0
            bulk._seal_all(path, connection, clock)
        connection.execute("VACUUM")
    return count


def _weeks(count: int) -> Iterator[slice]:
    for begin in range(0, count, 60_480):
        yield slice(begin, min(begin + 60_480, count))


def bytes_per_reading(folder: Path) -> list[Row]:
    """Measure a month of a probe, heater and lamp in the same packs."""
    channels = ["temperature", "heater", "light"]
    sealed = folder / "sealed.db"
    count = build(sealed, channels, 30)
    plain = folder / "plain.db"
    time_ms, columns = days_of(30)
    with closing(sqlite3.connect(plain)) as connection, connection:
        connection.execute("CREATE TABLE reading (series_id INTEGER, time_ms INTEGER, value REAL)")
        for number, channel in enumerate(channels):
            connection.executemany(
                f"INSERT INTO reading VALUES ({number}, ?, ?)",  # noqa: S608
                zip(time_ms.tolist(), columns[channel].tolist(), strict=True),
            )
    each, plain_each = sealed.stat().st_size / count, plain.stat().st_size / count
    alone = folder / "alone.db"
    alone_count = build(alone, ["temperature"], 30)
    alone_each = alone.stat().st_size / alone_count
    return [
        compared("bytes a reading, pack of 3", "{:.2f} B", each, "plain table", plain_each),
        compared("", "{:.2f} B", each, "published", GORILLA_BYTES, "1.0 B or less"),
        compared("bytes a reading, probe alone", "{:.2f} B", alone_each, "published", GORILLA_BYTES),
    ]


def written(folder: Path) -> list[Row]:
    """Measure the bytes written for each reading of 300 tanks with a pack each 5 s, in an aged store.

    Log, folding of the log, folding into sheets and sealing into blocks are all in it: hours of it, from one
    sealing to another, with the clock set on by hand.
    """
    path = folder / "written.db"
    _age(path)
    clock = ManualClock(wall=float(T0_S))
    writer = StoreWriter(path, clock, batch_s=3600.0)
    writer.start()
    made = _packs_of_a_room()
    wrote = [0]
    readings = 0
    for hour in range(HOURS + 2):
        if hour == 2:  # by then there is something to be sealed in every hour
            wrote, readings = [_written_bytes()], 0
        for begin_s in range(3600 * hour, 3600 * (hour + 1), BATCH_S):
            batch = made(begin_s)
            readings += len(batch)
            clock.wall = T0_S + begin_s + BATCH_S
            writer.put_readings(batch)
            writer.flush(30.0)
            if hour == 2 and begin_s == 3600 * hour + 300:  # none of the work of housekeeping is in it yet
                wrote.append(_written_bytes())
                of_log = readings
        _keep_house(writer)
    each = (_written_bytes() - wrote[0]) / readings
    log_each = (wrote[1] - wrote[0]) / of_log
    writer.stop(10.0)
    return [
        compared(
            "bytes written a reading, 300 tanks at 5 s", "{:,.0f} B", each, "a row", 19.0, "under 100 B"
        ),
        compared(f"of that by commits, each {BATCH_S} s", "{:,.0f} B", log_each, "a row", 19.0),
    ]


HOURS = 3
BATCH_S = 10


def _packs_of_a_room() -> Callable[[int], list[Reading]]:
    """Return what gives the readings of a stretch of 300 tanks, each with its own phase and jitter."""
    columns = pattern()
    rng = np.random.default_rng(3)
    channels = (Channel.TEMPERATURE, Channel.HEATER, Channel.LIGHT)
    values = [columns[str(channel)].tolist() for channel in channels]
    count = len(values[0])

    def made(begin_s: int) -> list[Reading]:
        late_s = rng.normal(0.0, JITTER_S, (BATCH_S // 5, 300)).tolist()
        return [
            Reading(
                f"t{tank:03}", channel, T0_S + second + tank / 60 + late, value[(second + 997 * tank) % count]
            )
            for second, row in zip(range(begin_s, begin_s + BATCH_S, 5), late_s, strict=True)
            for tank, late in enumerate(row)
            for channel, value in zip(channels, values, strict=True)
        ]

    return made


def _age(path: Path) -> None:
    """Make a store in which each series fills pages of its own, as after some weeks."""
    with closing(open_store(path, SystemClock(), busy_s=1.0).connection) as connection:
        connection.execute("BEGIN")
        ids = rows.SeriesIds(connection)
        for tank in range(300):
            for channel in (Channel.TEMPERATURE, Channel.HEATER, Channel.LIGHT):
                series_id = ids[f"t{tank:03}", channel]
                for hours in (10, 20):
                    time_ms = (T0_S - 3600 * hours) * 1000 + np.arange(3, dtype=np.int64)
                    insert_block(connection, series_id, time_ms, np.array([0.0, 1.0, 0.0]))
                connection.executemany(  # older ones take their room, and share what is packed
                    "INSERT INTO block SELECT series_id, begin_h - :h, end_h - :h, first_ms - 3600000 * :h, "
                    "last_ms - 3600000 * :h, count, low, high, total, last_value, bytes, stamps_id, "
                    "values_id FROM block WHERE series_id = :series_id AND begin_h = :begin_h",
                    [
                        {"h": 10 * number, "series_id": series_id, "begin_h": T0_S // 3600 - 20}
                        for number in range(1, 60)
                    ],
                )
                connection.executemany(
                    "INSERT INTO rollup VALUES (?, 1, ?, 0.0, 1.0, 1.0, 3, 0)",
                    [(series_id, T0_S // 3600 - number) for number in range(1, 600)],
                )
                connection.executemany(
                    "INSERT INTO rollup VALUES (?, 24, ?, 0.0, 1.0, 1.0, 3, 0)",
                    [(series_id, T0_S // 86_400 - number) for number in range(1, 100)],
                )
        connection.execute("COMMIT")


def _keep_house(writer: StoreWriter) -> None:
    """Have the writer seal what is due, and fold its log in, as it does once an hour."""
    writer.housekeeper.hurry()
    writer.put_memory("wake", {})
    while writer.housekeeper.due_s - time.monotonic() < 300.0:
        time.sleep(0.01)
    writer.checkpointer.idle_s = 0.0
    writer.put_memory("wake", {})
    writer.flush(30.0)
    while writer.health().wal_bytes:
        time.sleep(0.01)
    writer.checkpointer.idle_s = 3600.0


_IMPORT = """
import sys
from pathlib import Path
from tankwatch.reading import Channel, Reading
from tankwatch.store.bulk import write_history
def peak():
    return int(Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0])
channels = (Channel.TEMPERATURE, Channel.HEATER, Channel.LIGHT)
def readings(count):
    for number in range(count // 72):
        for tank in range(24):
            for channel in channels:
                time_s = 1.79e9 + 10 * number + tank / 9
                yield Reading(f"t{tank:02}", channel, time_s, 25.0 + number % 50 / 100)
write_history(Path(sys.argv[1]), readings(7200))
before = peak()
write_history(Path(sys.argv[2]), readings(int(sys.argv[3])))
print(before, peak())
"""


def import_memory(folder: Path) -> list[Row]:
    """Measure how much more memory a large import takes at its peak than a small one, of 24 tanks."""
    growths = []
    for count in (150_000, 1_500_000):
        files = (str(folder / f"first{count}.db"), str(folder / f"second{count}.db"))
        done = subprocess.run(
            [sys.executable, "-c", _IMPORT, *files, str(count)], capture_output=True, text=True, check=True
        )
        before, peak = map(int, done.stdout.split())
        growths.append((peak - before) / 1024)
        base = before / 1024
    what = "import of 1.5 million, memory added"
    against = f"a tenth of it (program {base:.0f} MiB)"
    return [compared(what, "{:.0f} MiB", growths[1], against, growths[0], "bounded")]


def _written_bytes() -> int:
    fields = dict(line.split(": ") for line in Path("/proc/self/io").read_text().splitlines())
    return int(fields["wchar"])


def charts(folder: Path) -> list[Row]:
    """Measure charts of a day, a month and a year on a year of one probe."""
    store = folder / "year.db"
    count = build(store, ["temperature"], 365)
    time_ms, columns = days_of(365)
    reader, last_ms = StoreReader(store), int(time_ms[-1])
    result = []
    ask = _duckdb(folder, time_ms, columns["temperature"])
    for name, days in (("day", 1), ("month", 30), ("year", 365)):
        from_ms = last_ms - days * 86_400_000 + 12_345
        ours_s = best_s(partial(_chart, reader, from_ms, last_ms))
        theirs_s = best_s(partial(ask, from_ms, last_ms))
        goal = "under 30 ms, ratio 1 or less" if name == "year" else ""
        what = f"chart of a {name}, {BUCKETS} parts"
        result.append(compared(what, "{:.1f} ms", 1000 * ours_s, "DuckDB", 1000 * theirs_s, goal))
        found = _chart(reader, from_ms, last_ms)
        assert [(row[1], row[2], row[4]) for row in ask(from_ms, last_ms)] == list(
            zip(found.low.tolist(), found.high.tolist(), found.count.tolist(), strict=True)
        )
    short = folder / "short.db"
    build(short, ["temperature"], 36.5)
    short_ms = int(days_of(36.5)[0][-1])
    short_s, long_s = (
        best_s(partial(_chart, StoreReader(path), end_ms - 86_400_000, end_ms))
        for path, end_ms in ((short, short_ms), (store, last_ms))
    )
    what = "chart of a day, history tenfold"
    result.append(compared(what, "{:.1f} ms", 1000 * long_s, "before", 1000 * short_s, "about 1"))
    each, short_each = store.stat().st_size / count, short.stat().st_size / (count / 10)
    what = "bytes a reading, history tenfold"
    result.append(compared(what, "{:.2f} B", each, "before", short_each, "about 1"))
    return result


def _chart(reader: StoreReader, from_ms: int, to_ms: int) -> Series:
    return reader.series("t01", Channel.TEMPERATURE, from_ms / 1000.0, to_ms / 1000.0, BUCKETS)


def _duckdb(folder: Path, time_ms: NDArray[np.int64], value: NDArray[np.float64]):  # type: ignore[no-untyped-def]
    import duckdb
    import pyarrow as pa
    import pyarrow.parquet as pq

    path = folder / "year.parquet"
    pq.write_table(pa.table({"time_ms": time_ms, "value": value}), path)
    connection = duckdb.connect()

    def ask(from_ms: int, to_ms: int) -> list[tuple[float, ...]]:
        rows: list[tuple[float, ...]] = connection.execute(
            f"SELECT least((time_ms - {from_ms}) * {BUCKETS} // {to_ms - from_ms}, {BUCKETS - 1}) AS part, "  # noqa: S608
            f"min(value), max(value), avg(value), count(*) FROM '{path}' "
            f"WHERE time_ms BETWEEN {from_ms} AND {to_ms} GROUP BY part ORDER BY part"
        ).fetchall()
        return rows

    return ask
