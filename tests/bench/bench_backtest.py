"""Back-tests of four rooms: readings a second with one process, two, and on a Dask cluster of two workers.

The same tasks are run in turn by each, twice, and the better run of each counts. Wall-clock time is what work
beside each other is about, and on a busy machine says little; so the speed-up on idle cores is given as well,
from processor time: that of one process over the greater of the two workers', start and imports included.
"""

import resource
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from bench_data import INTERVAL_S, T0_S, config_text, pattern
from bench_table import Row, compared

from tankwatch.backtest.run import judge_rooms
from tankwatch.backtest.task import RecordedRoom, RoomResult, RoomTask
from tankwatch.config import load
from tankwatch.reading import Channel
from tankwatch.store.bulk import write_history
from tankwatch.store.reader import StoreReader
from tankwatch.transfer.parquet_file import load_pyarrow, read_parquet
from tankwatch.transfer.senml_file import write_senml
from tankwatch.transfer.stored_rows import stored_rows
from tankwatch.watchdog.replay import replay

ROOMS, TANKS, ROUNDS = 4, 10, 2 * 8_640
"""Four rooms of ten tanks over two days, three values each ten seconds."""
_TANK_YEAR_READINGS = 3 * 365.25 * 86_400.0 / INTERVAL_S


def backtest(folder: Path) -> list[Row]:
    """Measure the ways of judging rooms beside each other."""
    config_path = folder / "room.toml"
    config_path.write_text(config_text(TANKS, 1883, "room.db"))
    config = load(config_path)
    recorded = [folder / f"room{number}.parquet" for number in range(ROOMS)]
    for number, path in enumerate(recorded):
        _write(path, 1000 * number)
    tasks = [RoomTask(config, RecordedRoom(parquet=(path,)), True) for path in recorded]
    write_history(config.store.path, read_parquet(recorded[0], lambda number, reason: None), sealed=True)
    senml = folder / "room.jsonl"
    with senml.open("w", encoding="utf-8") as file:
        write_senml(stored_rows(StoreReader(config.store.path)), file)

    readings = ROOMS * TANKS * ROUNDS * 3
    plain_s = min(_cpu_s(lambda: _plain(config, senml)) for _ in range(2)) * ROOMS
    store_task = RoomTask(config, RecordedRoom(store=config.store.path), True)
    store_s = min(_cpu_s(lambda: judge_rooms([store_task])) for _ in range(2)) * ROOMS
    alone_cpu_s = min(_cpu_s(lambda: judge_rooms(tasks)) for _ in range(2))
    ways: dict[str, Callable[[], list[RoomResult]]] = {
        "1 process": lambda: judge_rooms(tasks),
        "2 processes": lambda: judge_rooms(tasks, jobs=2),
    }
    with _cluster() as cluster:
        address = cluster.scheduler_address
        ways["Dask, 2 workers"] = lambda: judge_rooms(tasks, cluster=address)
        took: dict[str, list[float]] = {name: [] for name in ways}
        busiest: dict[str, list[float]] = {name: [] for name in ways}
        said: list[list[RoomResult]] = []
        for _ in range(2):
            for name, way in ways.items():
                begin_s, before = time.perf_counter(), _all_cpu_s(cluster)
                said.append(way())
                took[name].append(time.perf_counter() - begin_s)
                used = [after - was for after, was in zip(_all_cpu_s(cluster), before, strict=True)]
                # Processes that ended are summed: each of two judged half of the equal rooms.
                busiest[name].append(used[0] + max(used[1] / 2, *used[2:]))
    if any(results != said[0] for results in said):
        raise RuntimeError("the ways of judging rooms do not agree")
    form, per_year = "{:,.0f}", "{:.0f} s"
    plain = readings / plain_s
    rows = [
        compared("back-test of Parquet, readings/CPU s", form, readings / alone_cpu_s, "plain replay", plain),
        compared("  of the store", form, readings / store_s, "plain replay", plain),
        Row("  CPU for a tank and year", per_year.format(alone_cpu_s / readings * _TANK_YEAR_READINGS), ""),
    ]
    for what, figures in (("wall", took), ("idle-core", busiest)):
        rate = {name: readings / min(seconds) for name, seconds in figures.items()}
        rows += [
            compared(
                f"  readings/{what} s, {name}", form, rate[name], "1 process", rate["1 process"], "near 2"
            )
            for name in ("2 processes", "Dask, 2 workers")
        ]
    return rows


def _all_cpu_s(cluster: Any) -> list[float]:
    """Return processor time so far: of this process, of its ended children, of each worker of the cluster."""
    from distributed import Client

    client: Any = Client
    with client(cluster.scheduler_address, set_as_default=False) as asking:
        workers = asking.run(time.process_time)
    ended = resource.getrusage(resource.RUSAGE_CHILDREN)
    return [_own_s(), ended.ru_utime + ended.ru_stime, *(workers[name] for name in sorted(workers))]


def _cluster() -> Any:
    import distributed

    dask: Any = distributed
    return dask.LocalCluster(n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=None)


def _plain(config: Any, path: Path) -> int:
    with path.open("rb") as lines:
        return sum(1 for _ in replay(config, lines))


def _cpu_s(work: Callable[[], object]) -> float:
    begin_s = _own_s()
    work()
    return _own_s() - begin_s


def _own_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def _write(path: Path, shift: int) -> None:
    """Write a room's day as an export would."""
    pa, parquet = load_pyarrow()
    columns = pattern()
    times = np.repeat(np.arange(1, ROUNDS + 1) * int(INTERVAL_S) + T0_S, TANKS) * 1_000_000
    at = (np.arange(ROUNDS)[:, None] + 997 * np.arange(TANKS) + shift).ravel() % len(columns["heater"])
    names = {"temperature": "temperature_c", "heater": "heater_on", "light": "light_on"}
    table = {
        "time_utc": pa.array(times, pa.timestamp("us", tz="UTC")),
        "tank": [f"t{number:04}" for number in range(TANKS)] * ROUNDS,
        **{names[channel]: columns[Channel(channel).value][at] for channel in names},
    }
    parquet.write_table(pa.table(table), path, row_group_size=65_536)
