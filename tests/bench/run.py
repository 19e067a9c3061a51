"""Measure tankwatch against things measured in the same run, and print one table.

    python tests/bench/run.py [store] [charts] [ingest] [engine] [screen] [rooms] [backtest]

Needs the extra `bench` (DuckDB, pyarrow) for the charts and a mosquitto for ingest and rooms. Nothing is
asserted: the machine decides. Times are CPU time of one process pinned to one core where it says so.
"""

import sys
import tempfile
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parent.parent)]

from bench_table import print_table  # noqa: E402

PARTS = ("store", "charts", "ingest", "engine", "screen", "rooms", "backtest")


def measure(wanted: list[str]) -> None:
    """Run the parts named in `wanted`, or all, and print what they give."""
    rows = []
    for part in wanted or PARTS:
        began_s = time.perf_counter()
        with tempfile.TemporaryDirectory(prefix="bench-") as folder:
            rows += _part(part, Path(folder))
        print(f"{part}: {time.perf_counter() - began_s:.0f} s", file=sys.stderr)
    print_table(rows)


def _part(part: str, folder: Path):  # type: ignore[no-untyped-def]
    if part in ("store", "charts"):
        import bench_store

        if part == "charts":
            return bench_store.charts(folder)
        return [
            *bench_store.bytes_per_reading(folder),
            *bench_store.written(folder),
            *bench_store.import_memory(folder),
        ]
    if part == "ingest":
        import bench_ingest

        return bench_ingest.ingest(folder)
    if part == "engine":
        import bench_engine

        return bench_engine.engine(folder)
    if part == "screen":
        import bench_screen

        return bench_screen.screen(folder)
    if part == "rooms":
        import bench_rooms

        return bench_rooms.rooms(folder)
    if part == "backtest":
        import bench_backtest

        return bench_backtest.backtest(folder)
    sys.exit(f"no part {part!r}; known: {', '.join(PARTS)}")


if __name__ == "__main__":
    measure(sys.argv[1:])
