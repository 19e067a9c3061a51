"""Rooms beside each other in processes of this machine, one process a room.

A process that dies, for want of memory say, is seen by the end of its pipe and named; when one fails or the
user interrupts, the others are ended at once.
"""

import multiprocessing
import signal
import time
from collections.abc import Callable, Sequence
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from typing import Any

from tankwatch.backtest.task import RoomResult, RoomTask, judge_room
from tankwatch.errors import BacktestError, TankwatchError

_TELL_EVERY_S = 0.5
_END_S = 5.0


def judge_in_processes(
    tasks: Sequence[RoomTask],
    jobs: int,
    on_progress: Callable[[float], None],
    on_room: Callable[[RoomResult], None],
) -> list[RoomResult]:
    """Judge at most `jobs` rooms at a time; raises as `judge_rooms` does."""
    context = multiprocessing.get_context("spawn")
    waiting = list(enumerate(tasks))
    running: dict[Connection, tuple[int, SpawnProcess]] = {}
    shares = [0.0] * len(tasks)
    results: dict[int, RoomResult] = {}
    try:
        while waiting or running:
            while waiting and len(running) < jobs:
                number, task = waiting.pop(0)
                ours, theirs = context.Pipe(duplex=False)
                process = context.Process(target=_work, args=(task, theirs), daemon=True)
                process.start()
                theirs.close()
                running[ours] = (number, process)
            for ready in [pipe for pipe in wait(list(running)) if isinstance(pipe, Connection)]:
                number, process = running[ready]
                said = _hear(ready, process, tasks[number])
                if isinstance(said, float):
                    shares[number] = min(said, 1.0)
                else:
                    del running[ready]
                    ready.close()
                    process.join()
                    process.close()
                    results[number] = said
                    shares[number] = 1.0
                    on_room(said)
                on_progress(sum(shares) / len(tasks))
    finally:
        for ours, (_, process) in running.items():
            process.terminate()
            process.join(_END_S)
            if process.is_alive():
                process.kill()
                process.join()
            process.close()
            ours.close()
    return [results[number] for number in range(len(tasks))]


def _hear(pipe: Connection, process: SpawnProcess, task: RoomTask) -> float | RoomResult:
    """Return a share or a result; raise what a worker raised, or that it died."""
    try:
        said: Any = pipe.recv()
    except EOFError:
        process.join()
        raise BacktestError(
            f"{task.config.room.name}: the process that judged it ended with status {process.exitcode}; "
            "if the machine ran out of memory, try again with a smaller --jobs."
        ) from None
    if isinstance(said, BaseException):
        raise said
    heard: float | RoomResult = said
    return heard


def _work(task: RoomTask, pipe: Connection) -> None:
    """Judge one room in a process of its own; an interrupt is the parent's to handle."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    next_s = time.monotonic() + _TELL_EVERY_S

    def on_share(share: float) -> None:
        nonlocal next_s
        if time.monotonic() >= next_s:
            next_s = time.monotonic() + _TELL_EVERY_S
            pipe.send(float(share))

    try:
        pipe.send(judge_room(task, on_share))
    except TankwatchError as error:
        pipe.send(error)
    except BrokenPipeError:
        return  # the parent is gone: nobody wants the result
