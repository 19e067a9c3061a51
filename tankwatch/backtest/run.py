"""Judging rooms beside each other: in this process, in several, or on a cluster."""

from collections.abc import Callable, Sequence

from tankwatch.backtest.task import RoomResult, RoomTask, judge_room

OnProgress = Callable[[float], None]
"""Told the share of the whole that is done, 0..1."""
OnRoom = Callable[[RoomResult], None]
"""Told of each room as it is done, in no order."""


def judge_rooms(
    tasks: Sequence[RoomTask],
    *,
    jobs: int = 1,
    cluster: str | None = None,
    on_progress: OnProgress = lambda share: None,
    on_room: OnRoom = lambda result: None,
) -> list[RoomResult]:
    """Return the results in the order of `tasks`, the same to the byte whoever works.

    `jobs`: processes of this machine at a time; `cluster`: address of a Dask scheduler instead.

    Raises:
        TankwatchError: a room could not be judged; the others are given up.
    """
    if cluster is not None:
        from tankwatch.backtest.cluster import judge_on_cluster

        return judge_on_cluster(tasks, cluster, on_progress, on_room)
    if jobs > 1 and len(tasks) > 1:
        from tankwatch.backtest.local import judge_in_processes

        return judge_in_processes(tasks, jobs, on_progress, on_room)
    results = []
    for number, task in enumerate(tasks):

        def on_share(share: float, number: int = number) -> None:
            on_progress((number + min(share, 1.0)) / len(tasks))

        results.append(judge_room(task, on_share))
        on_room(results[-1])
    return results
