"""One batch of rows of a Parquet file as a stretch of readings."""

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tankwatch.backtest.stretch import CHANNEL_NUMBERS, CHANNELS, MARKS, Stretch, TankNames, joined
from tankwatch.reading import Channel
from tankwatch.transfer.csv_file import HEADERS, SERVICE, TANK, TIME

OnRefused = Callable[[int, str], None]
"""Called with a number of values that were left out, and why."""


def stretch_of_batch(batch: Any, tanks: TankNames, on_refused: OnRefused, pa: Any) -> Stretch:
    """Return the readings of a batch in the order of its rows, in a row by channel.

    What has no time, no tank, no finite value or an unknown service word is left out and counted.
    """
    times = batch.column(TIME).cast(pa.timestamp("us", tz="UTC"), safe=False).cast(pa.int64())
    names = batch.column(TANK).dictionary_encode()
    numbers = np.array([tanks.number(name) for name in names.dictionary.to_pylist()], np.int64)
    whole = _filled(times) & _filled(names)
    if not whole.all():
        on_refused(int((~whole).sum()), "no time or no tank")
    time_us = times.fill_null(0).to_numpy(zero_copy_only=False)
    codes = names.indices.fill_null(0).to_numpy(zero_copy_only=False)
    tank = numbers[codes] if len(numbers) else np.zeros(len(codes), np.int64)
    rows, parts = [], []
    for channel in CHANNELS:
        found = _service(batch, on_refused) if channel is Channel.SERVICE else _values(batch, channel, pa)
        if found is None:
            continue
        value, here = found
        here &= whole
        bad = here & ~np.isfinite(value)
        if bad.any():
            on_refused(int(bad.sum()), f"{HEADERS[channel]}: no finite number")
            here &= ~bad
        row = np.flatnonzero(here)
        rows.append(row)
        kind = np.full(len(row), CHANNEL_NUMBERS[channel], np.int64)
        parts.append(Stretch(time_us[row], tank[row], kind, value[row] + 0.0))
    if not rows:
        return joined([])
    return joined(parts).part(np.argsort(np.concatenate(rows), kind="stable"))


def _values(batch: Any, channel: Channel, pa: Any) -> tuple[NDArray[np.float64], NDArray[np.bool_]] | None:
    name = HEADERS[channel]
    if name not in batch.schema.names:
        return None
    column = batch.column(name).cast(pa.float64())
    return column.fill_null(0.0).to_numpy(zero_copy_only=False), _filled(column)


def _service(batch: Any, on_refused: OnRefused) -> tuple[NDArray[np.float64], NDArray[np.bool_]] | None:
    if SERVICE not in batch.schema.names:
        return None
    column = batch.column(SERVICE)
    here = _filled(column)
    value = np.zeros(len(here))
    for row in np.flatnonzero(here).tolist():
        word = column[row].as_py()
        if word in MARKS:
            value[row] = MARKS.index(word)
        else:
            here[row] = False
            on_refused(1, f"unknown service word {str(word)[:40]!r}")
    return value, here


def _filled(column: Any) -> NDArray[np.bool_]:
    filled: NDArray[np.bool_] = column.is_valid().to_numpy(zero_copy_only=False).copy()
    return filled
