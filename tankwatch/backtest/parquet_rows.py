"""The readings of Parquet files, as `tankwatch export` writes them, as stretches in order of time.

Files may follow each other (a month each) or lie beside each other (a tank each). A file is opened when its
time comes and read a group of rows at a time, so that little more is in memory than one group of every file
that is open.
"""

from collections.abc import Callable, Generator, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from tankwatch.backtest.parquet_batch import OnRefused, stretch_of_batch
from tankwatch.backtest.stretch import Stretch, TankNames, in_order, joined
from tankwatch.errors import UsageError
from tankwatch.transfer.csv_file import TANK, TIME
from tankwatch.transfer.parquet_file import load_pyarrow

_NEVER_US = 1 << 62
_BATCH_ROWS = 65_536
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


class _File:
    """One file: closed until its time comes, then read batch by batch."""

    def __init__(self, path: Path, from_us: int, to_us: int, tanks: TankNames, on_refused: OnRefused) -> None:
        self._pa, parquet = load_pyarrow()
        self.path = path
        self.pending = joined([])
        """Read, and not told yet."""
        self.ended = False
        self._stretch = (from_us, to_us)
        self._tanks, self._on_refused = tanks, on_refused
        self._parquet = parquet
        try:
            with parquet.ParquetFile(path) as file:
                names = file.schema_arrow.names
                if TIME not in names or TANK not in names:
                    raise UsageError(
                        f"{path}: expected the columns {TIME} and {TANK}, as tankwatch export writes them, "
                        f"got {', '.join(names)}"
                    )
                kind = file.schema_arrow.field(TIME).type
                if not self._pa.types.is_timestamp(kind) or kind.tz is None:
                    raise UsageError(
                        f"{path}: expected {TIME} to be a time stamp with a time zone, got {kind}"
                    )
                self._groups = _groups(file, names.index(TIME))
                self.rows = file.metadata.num_rows
        except (self._pa.ArrowException, OSError) as error:
            raise self._damaged(error) from error
        self.first_us = min((first for _, first, _ in self._groups), default=_NEVER_US)
        self.rows_read = 0
        self._batches = self._read()

    @property
    def newest_us(self) -> int:
        """Time of the newest reading that is pending."""
        return int(self.pending.time_us[-1]) if len(self.pending) else -_NEVER_US

    def read_on(self) -> None:
        """Read the next batch, or note that there is none."""
        more = next(self._batches, None)
        if more is None:
            self.ended = True
        else:
            self.pending = joined([self.pending, more])

    def take_before(self, time_us: int) -> Stretch:
        """Hand out what is pending and older than `time_us`."""
        cut = int(np.searchsorted(self.pending.time_us, time_us))
        taken, self.pending = self.pending.part(slice(None, cut)), self.pending.part(slice(cut, None))
        return taken

    def _read(self) -> Iterator[Stretch]:
        from_us, to_us = self._stretch
        wanted = [number for number, first, last in self._groups if last >= from_us and first <= to_us]
        newest_us = -_NEVER_US
        try:
            with self._parquet.ParquetFile(self.path) as file:
                for batch in file.iter_batches(_BATCH_ROWS, row_groups=wanted):
                    self.rows_read += batch.num_rows
                    stretch = stretch_of_batch(batch, self._tanks, self._on_refused, self._pa)
                    inside = (stretch.time_us >= from_us) & (stretch.time_us <= to_us)
                    stretch = stretch if inside.all() else stretch.part(inside)
                    if not len(stretch):
                        continue
                    if stretch.time_us[0] < newest_us or (np.diff(stretch.time_us) < 0).any():
                        raise UsageError(
                            f"{self.path}: its rows are not in order of time. Sort them by {TIME}, or take "
                            "the file into a store with tankwatch import and judge that with --store."
                        )
                    newest_us = int(stretch.time_us[-1])
                    yield stretch
        except (self._pa.ArrowException, OSError) as error:
            raise self._damaged(error) from error

    def _damaged(self, error: Exception) -> UsageError:
        return UsageError(
            f"{self.path}: no Parquet file that can be read: {error}. Export it again, or leave it out."
        )


def parquet_stretches(
    paths: Sequence[Path],
    from_s: float | None,
    to_s: float | None,
    tanks: TankNames,
    on_share: Callable[[float], None],
    on_refused: OnRefused,
) -> Generator[Stretch]:
    """Yield what the files hold from `from_s` to `to_s`, both included, in order.

    Raises:
        UsageError: pyarrow is not installed, or a file cannot be used, which is named.
    """
    from_us = -_NEVER_US if from_s is None else round(from_s * 1e6)
    to_us = _NEVER_US if to_s is None else round(to_s * 1e6)
    files = [_File(path, from_us, to_us, tanks, on_refused) for path in sorted(paths)]
    waiting = sorted(files, key=lambda file: file.first_us)
    rows = max(1, sum(file.rows for file in files))
    begun: list[_File] = []
    while waiting or begun:
        while True:
            # Nothing is told from the newest time of a file on: its next batch may begin with that time.
            horizon_us = min((file.newest_us for file in begun if not file.ended), default=_NEVER_US)
            all_ended = all(file.ended for file in begun)
            if not waiting or not (all_ended or waiting[0].first_us <= horizon_us):
                break
            begun.append(waiting.pop(0))
            begun[-1].read_on()
        whole = joined([file.take_before(horizon_us) for file in begun])
        if len(whole):
            yield in_order(whole, tanks)
        on_share(sum(file.rows_read for file in files) / rows)
        for file in begun:
            if not file.ended and file.newest_us <= horizon_us:
                file.read_on()
        begun = [file for file in begun if not file.ended or len(file.pending)]


def _groups(file: Any, time_column: int) -> list[tuple[int, int, int]]:
    """Return number, first and last time (µs) of every group of rows, as far as the file tells them."""
    found = []
    for number in range(file.metadata.num_row_groups):
        statistics = file.metadata.row_group(number).column(time_column).statistics
        first_us, last_us = -_NEVER_US, _NEVER_US
        if statistics is not None and statistics.has_min_max and isinstance(statistics.min, datetime):
            first_us = (statistics.min - _EPOCH) // _MICROSECOND
            last_us = (statistics.max - _EPOCH) // _MICROSECOND
        found.append((number, first_us, last_us))
    return found
