"""Any query on any mix of batches, sheets, rows, blocks and figures, against a plain list of readings."""

import math
import random
import sqlite3
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tankwatch.clock import ManualClock
from tankwatch.reading import Channel, Reading
from tankwatch.store import codec, rows, sheets
from tankwatch.store.block import HOUR_MS
from tankwatch.store.ends import newest_readings
from tankwatch.store.intake import take_in
from tankwatch.store.opening import open_store
from tankwatch.store.reader import StoreReader
from tankwatch.store.seal import seal_some

CHANNELS = (Channel.TEMPERATURE, Channel.HEATER)
HOLD_MS = 900_000
PCODEC: Any = getattr(codec, "standalone")  # noqa: B009
BEGIN_MS = 497_222 * HOUR_MS - 3 * HOUR_MS  # a little before a day begins: 497,232 is a multiple of 24
Plain = dict[tuple[Channel, int], float]


@dataclass(frozen=True)
class Put:
    """Readings (channel, time in ms, value) that come as one batch."""

    readings: list[tuple[Channel, int, float]]
    as_rows: bool = False
    """Each in its series' own place, as histories are written."""


@dataclass(frozen=True)
class Seal:
    """Rows of one channel are sealed, up to an hour, so many times."""

    channel: Channel
    hour: int
    times: int


@dataclass(frozen=True)
class Fold:
    """Batches and sheets are folded so many times, then so many series sealed up to an hour."""

    times: int
    hour: int
    series: int


Work = Sequence[Put | Seal | Fold]

times_ms = (
    st.integers(0, 12 * 12).map(lambda step: BEGIN_MS + step * 300_000)  # twelve hours: many times twice
    | st.integers(0, 30 * HOUR_MS).map(lambda ms: BEGIN_MS + ms)
    | st.integers(0, 120).map(lambda quarter: BEGIN_MS + quarter * HOLD_MS)
    | st.integers(-3 * HOUR_MS, 3 * HOUR_MS)  # around 1970
    | st.integers(0, 300).map(lambda day: BEGIN_MS + day * 24 * HOUR_MS)
)
values = (
    st.sampled_from([0.0, 1.0])
    | st.integers(2000, 3000).map(lambda n: n / 100)
    | st.sampled_from([-0.0, 24.9375, 24.81 + 0.13])
    | st.floats(-1e12, 1e12, allow_nan=False)
)


def run_of(channel: Channel, begin: int, step_s: int, states: int) -> list[tuple[Channel, int, float]]:
    """Return forty readings at even steps, each 0 or 1 as the bits of `states` have it."""
    return [(channel, BEGIN_MS + (begin * 60 + n * step_s) * 1000, float(states >> n & 1)) for n in range(40)]


runs = st.builds(
    run_of, st.sampled_from(CHANNELS), st.integers(0, 900), st.integers(60, 1800), st.integers(0, 2**40 - 1)
)
batches = st.builds(
    Put,
    st.lists(st.tuples(st.sampled_from(CHANNELS), times_ms, values), min_size=1, max_size=90) | runs | runs,
    st.booleans(),
)
hours = st.integers(-4, 30) | st.integers(30, 8000)
seals = st.builds(Seal, st.sampled_from(CHANNELS), hours, st.integers(1, 9)) | st.builds(
    Fold, st.integers(1, 4), hours, st.integers(0, 3)
)
stretches = st.tuples(times_ms, times_ms, st.integers(1, 40))
always_asked = [
    (-4 * HOUR_MS, BEGIN_MS + 9000 * HOUR_MS, 30),
    (BEGIN_MS, BEGIN_MS + 9000 * HOUR_MS, 37),
    # Two parts, longer than days, whose common edge lies among the readings.
    *((BEGIN_MS + (hour - 60) * HOUR_MS, BEGIN_MS + (hour + 60) * HOUR_MS, 2) for hour in (2, 8, 13, 20)),
]


@contextmanager
def small_blocks(*, with_pcodec: bool) -> Iterator[None]:
    """Make blocks of a few readings, so that few readings fill many."""
    with (
        patch("tankwatch.store.block.READINGS", 6),
        patch("tankwatch.store.seal.READINGS", 6),
        patch.multiple(
            "tankwatch.store.sheets",
            BATCHES=2,
            RUNS=2,
            MOST_READINGS=200,
            SHEET_READINGS=6,
            SEAL_READINGS=1,
            SERIES_AT_ONCE=1,
        ),
        patch("tankwatch.store.chart._DAYS_FROM_H", 25),
        patch.object(codec, "standalone", PCODEC if with_pcodec else None),
    ):
        yield


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    work=st.lists(batches | seals, min_size=1, max_size=14),
    asked=st.lists(stretches, min_size=1, max_size=8),
    with_pcodec=st.booleans(),
)
def test_every_answer_is_that_of_a_plain_list(
    work: Work, asked: list[tuple[int, int, int]], with_pcodec: bool
) -> None:
    compare(work, asked, with_pcodec=with_pcodec)


@pytest.mark.parametrize("seed", range(12))
def test_every_answer_on_dense_readings_is_that_of_a_plain_list(seed: int) -> None:
    # Many readings an hour, sealed piece by piece: rarer than short lists among examples made at random.
    chance = random.Random(seed)
    work: list[Put | Seal | Fold] = []
    for _ in range(chance.randrange(3, 9)):
        channel = chance.choice(CHANNELS)
        run = run_of(channel, chance.randrange(900), chance.randrange(60, 1800), chance.getrandbits(40))
        work.append(Put(run, as_rows=chance.random() < 0.4))
        if chance.random() < 0.5:
            work.append(Seal(chance.choice(CHANNELS), chance.randrange(0, 30), chance.randrange(1, 9)))
        else:
            work.append(Fold(chance.randrange(1, 4), chance.randrange(0, 30), chance.randrange(0, 3)))
    compare(work, [], with_pcodec=chance.random() < 0.5)


def compare(work: Work, asked: list[tuple[int, int, int]], *, with_pcodec: bool) -> None:
    """Do `work` on a store and on a plain list, and ask both the same."""
    plain: Plain = {}
    with small_blocks(with_pcodec=with_pcodec), tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "room.db"
        with closing(open_store(path, ManualClock(), busy_s=1.0).connection) as connection:
            connection.execute("PRAGMA synchronous = OFF")
            ids = rows.SeriesIds(connection)
            for item in work:
                connection.execute("BEGIN")
                if isinstance(item, Put):
                    put(connection, item, plain, ids)
                elif isinstance(item, Seal):
                    for _ in range(item.times):
                        seal_some(connection, ids["t01", item.channel], BEGIN_MS + item.hour * HOUR_MS)
                    ids = rows.SeriesIds(connection)
                else:
                    fold_and_seal(connection, item)
                    ids = rows.SeriesIds(connection)
                connection.execute("COMMIT")
            assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
            lost = "SELECT count(*) FROM stamps WHERE stamps_id NOT IN (SELECT stamps_id FROM block)"
            assert connection.execute(lost).fetchone() == (0,)
        reader = StoreReader(path)
        check_ends(reader, plain)
        for one, other, parts in [*asked, *always_asked]:
            for channel in CHANNELS:
                check_stretch(reader, plain, channel, min(one, other), max(one, other), parts)


def put(connection: sqlite3.Connection, item: Put, plain: Plain, ids: rows.SeriesIds) -> None:
    """Have a batch written, and see that what is new in it is told."""
    readings = [Reading("t01", channel, ms / 1000.0, value) for channel, ms, value in item.readings]
    table_rows, refused = rows.reading_rows(readings, ids)
    known = len(plain)
    for channel, ms, value in item.readings:
        plain.setdefault((channel, ms), value)
    if item.as_rows:
        new = rows.insert_readings(connection, table_rows, ids.sealed_to_ms)
        ids.newest_ms.update({n: ms for n, (ms, _) in newest_readings(connection).items()})
    else:
        new = take_in(connection, table_rows, ids, BEGIN_MS)
    assert (new, refused) == (len(plain) - known, 0)


def fold_and_seal(connection: sqlite3.Connection, item: Fold) -> None:
    """Do what the writer and its housekeeper do in time."""
    for _ in range(item.times):
        fold = sheets.fold_due(connection, BEGIN_MS + 1)
        if fold is not None:
            fold(connection)
    before_ms = BEGIN_MS + item.hour * HOUR_MS
    for _ in range(item.series):
        if sheets.begin_sealing(connection, BEGIN_MS + HOUR_MS, BEGIN_MS + HOUR_MS, BEGIN_MS):
            sheets.seal_sheets(connection, before_ms)


def check_ends(reader: StoreReader, plain: Plain) -> None:
    times = sorted(ms for _, ms in plain)
    assert reader.span() == ((times[0] / 1000.0, times[-1] / 1000.0) if times else None)
    expected = {}
    for channel in CHANNELS:
        own = sorted((ms, value) for (c, ms), value in plain.items() if c is channel)
        if own:
            expected["t01", channel] = (own[-1][0] / 1000.0, own[-1][1])
    assert reader.last_values() == expected


def check_stretch(
    reader: StoreReader, plain: Plain, channel: Channel, from_ms: int, to_ms: int, parts: int
) -> None:
    own = sorted((ms, value) for (c, ms), value in plain.items() if c is channel)
    within = [(ms, value) for ms, value in own if from_ms <= ms <= to_ms]
    from_s, to_s = from_ms / 1000.0, to_ms / 1000.0
    series = reader.series("t01", channel, from_s, to_s)
    assert series.time_s.tolist() == [ms / 1000.0 for ms, _ in within]
    assert series.mean.tolist() == [value for _, value in within]

    span_ms = max(to_ms - from_ms, 1)
    buckets: dict[int, list[float]] = {}
    for ms, value in within:
        buckets.setdefault(min((ms - from_ms) * parts // span_ms, parts - 1), []).append(value)
    chart = reader.series("t01", channel, from_s, to_s, parts)
    assert chart.time_s.tolist() == pytest.approx(
        [from_s + (bucket + 0.5) * span_ms / 1000.0 / parts for bucket in sorted(buckets)], rel=1e-12
    )
    contents = [buckets[bucket] for bucket in sorted(buckets)]
    assert chart.low.tolist() == [min(content) for content in contents]
    assert chart.high.tolist() == [max(content) for content in contents]
    assert chart.count.tolist() == [len(content) for content in contents]
    for mean, content in zip(chart.mean.tolist(), contents, strict=True):
        scale = max(map(abs, content))
        assert mean == pytest.approx(math.fsum(content) / len(content), rel=1e-9, abs=1e-9 * scale)

    on_ms = 0
    for place, (ms, value) in enumerate(own):
        until = min(own[place + 1][0] if place + 1 < len(own) else to_ms, ms + HOLD_MS, to_ms)
        if value >= 0.5:
            on_ms += max(0, until - max(ms, from_ms))
    assert reader.on_time_s("t01", channel, from_s, to_s) == pytest.approx(on_ms / 1000.0, abs=2e-3)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1, max_size=80), st.booleans())
def test_values_come_back_to_the_last_bit(numbers: list[float], with_pcodec: bool) -> None:
    value = np.array(numbers)
    with patch.object(codec, "standalone", PCODEC if with_pcodec else None):
        assert codec.unpack_values(codec.pack_values(value)).view(np.int64).tolist() == (
            value.view(np.int64).tolist()
        )


@settings(max_examples=200, deadline=None)
@given(st.lists(st.integers(-(2**62), 2**62), min_size=1, max_size=80), st.booleans())
def test_times_come_back_as_they_were(numbers: list[int], with_pcodec: bool) -> None:
    with patch.object(codec, "standalone", PCODEC if with_pcodec else None):
        assert codec.unpack_times(codec.pack_times(np.array(numbers))).tolist() == numbers
