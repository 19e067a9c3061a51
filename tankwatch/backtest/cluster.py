"""Rooms beside each other on a Dask cluster (the extra `cluster`).

Every worker runs the same tankwatch and sees the recordings under the same paths. Judging is plain Python:
start workers with one thread each (`dask worker ADDRESS --nthreads 1 --nworkers N`).
"""

from collections.abc import Callable, Sequence
from typing import Any

from tankwatch.backtest.task import RoomResult, RoomTask, judge_room
from tankwatch.errors import BacktestError, TankwatchError, UsageError

_CONNECT_S = 10


def judge_on_cluster(
    tasks: Sequence[RoomTask],
    address: str,
    on_progress: Callable[[float], None],
    on_room: Callable[[RoomResult], None],
) -> list[RoomResult]:
    """Judge the rooms on the workers of the scheduler at `address`; raises as `judge_rooms` does."""
    try:
        import distributed
    except ImportError as error:
        raise UsageError("--cluster needs distributed: pip install 'tankwatch[cluster]'") from error
    try:
        dask: Any = distributed
        client = dask.Client(address, timeout=_CONNECT_S, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        raise UsageError(
            f"no Dask scheduler answers at {address}: {error}. Start one with `dask scheduler`, or leave "
            "--cluster away to use the cores of this machine."
        ) from error
    with client, client.as_current():
        futures = [client.submit(_judge, task, pure=False, retries=0) for task in tasks]
        places = {future.key: number for number, future in enumerate(futures)}
        results: dict[int, RoomResult] = {}
        try:
            for future in dask.as_completed(futures):
                number = places[future.key]
                results[number] = _result(future, tasks[number])
                on_room(results[number])
                on_progress(len(results) / len(tasks))
        finally:
            client.cancel(futures)
    return [results[number] for number in range(len(tasks))]


def _result(future: Any, task: RoomTask) -> RoomResult:
    try:
        result: RoomResult = future.result()
    except TankwatchError:
        raise
    except Exception as error:  # whatever the cluster or the code on a worker raises
        raise BacktestError(
            f"{task.config.room.name}: the cluster could not judge it: {type(error).__name__}: {error}. "
            "See the workers' own logs; all must run the same tankwatch with its extras."
        ) from error
    return result


def _judge(task: RoomTask) -> RoomResult:
    return judge_room(task)
