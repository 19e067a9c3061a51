"""The chart of a tank as a table for other programs."""

import csv
import io
from datetime import UTC, datetime
from pathlib import Path

from tankwatch.screen.chart.draw import ChartData, columns_of
from tankwatch.screen.feed import SeriesLike

HEADER = ("time", "water_low_c", "water_mean_c", "water_high_c", "heater_share", "light_share")


def csv_of(data: ChartData) -> str:
    """Return what a chart shows as CSV (RFC 4180): one row for each bucket of the water, UTC times.

    Heater and light are the share of the bucket that they were on; empty where nothing is known.
    """
    out = io.StringIO()
    table = csv.writer(out)
    table.writerow(HEADER)
    water = data.water
    if water is None:
        return out.getvalue()
    count = max(1, len(water.time_s))
    shares = [_share(series, data, count) for series in (data.heater, data.light)]
    for i, time_s in enumerate(water.time_s):
        cell = min(count - 1, int((time_s - data.from_s) / (data.to_s - data.from_s) * count))
        stamp = datetime.fromtimestamp(float(time_s), UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        values = (f"{v[i]:.3f}" for v in (water.low, water.mean, water.high))
        table.writerow([stamp, *values, *(column[cell] for column in shares)])
    return out.getvalue()


def save_csv(data: ChartData, tank_id: str, folder: Path) -> Path:
    """Write `csv_of(data)` to a new file in `folder` and return its path.

    Raises:
        OSError: the file exists already, or cannot be written.
    """
    stamps = (datetime.fromtimestamp(t, UTC).strftime("%Y%m%dT%H%MZ") for t in (data.from_s, data.to_s))
    path = folder / f"{tank_id}-{'-'.join(stamps)}.csv"
    with path.open("x", encoding="utf-8", newline="") as file:
        file.write(csv_of(data))
    return path


def _share(series: SeriesLike | None, data: ChartData, count: int) -> list[str]:
    means = columns_of(series, data, count).mean
    return ["" if value != value else f"{value:.3f}" for value in means]
