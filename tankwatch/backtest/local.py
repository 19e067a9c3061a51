"""Rooms beside each other in processes of this machine; each process takes room after room.

A process that dies, for want of memory say, is seen by the end of its pipe and named; when one fails or the
user interrupts, the others are ended at once.
"""

import contextlib
import multiprocessing
import signal
import time
from collections.abc import Callable, Iterator, Sequence
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
    waiting = list(enumerate(tasks))[::-1]
    workers: dict[Connection, SpawnProcess] = {}
    at_work: dict[Connection, int] = {}
    shares = [0.0] * len(tasks)
    results: dict[int, RoomResult] = {}
    try:
        for _ in range(min(jobs, len(tasks))):
            ours, theirs = context.Pipe()
            process = context.Process(target=_work, args=(theirs,), daemon=True)
            with _interrupts_held_back():
                process.start()
            theirs.close()
            workers[ours] = process
            at_work[ours] = _give(ours, waiting)
        while at_work:
            for ready in [pipe for pipe in wait(list(at_work)) if isinstance(pipe, Connection)]:
                number = at_work[ready]
                said = _hear(ready, workers[ready], tasks[number])
                if isinstance(said, float):
                    shares[number] = min(said, 1.0)
                else:
                    results[number] = said
                    shares[number] = 1.0
                    del at_work[ready]
                    if waiting:
                        at_work[ready] = _give(ready, waiting)
                    on_room(said)
                on_progress(sum(shares) / len(tasks))
    finally:
        for ours, process in workers.items():
            process.terminate()
            process.join(_END_S)
            if process.is_alive():
                process.kill()
                process.join()
            process.close()
            ours.close()
    return [results[number] for number in range(len(tasks))]


@contextlib.contextmanager
def _interrupts_held_back() -> Iterator[None]:
    """Start processes that no interrupt reaches, not even while they import; ours comes afterwards."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _give(pipe: Connection, waiting: list[tuple[int, RoomTask]]) -> int:
    """Give the next room to a worker; return its number. A worker that is gone is seen when it is heard."""
    number, task = waiting.pop()
    with contextlib.suppress(BrokenPipeError, ConnectionResetError):
        pipe.send(task)
    return number


def _hear(pipe: Connection, process: SpawnProcess, task: RoomTask) -> float | RoomResult:
    """Return a share or a result; raise what a worker raised, or that it died."""
    try:
        said: Any = pipe.recv()
    except (EOFError, ConnectionResetError):
        process.join()
        raise BacktestError(
            f"{task.config.room.name}: the process that judged it ended with status {process.exitcode}; "
            "if the machine ran out of memory, try again with a smaller --jobs."
        ) from None
    if isinstance(said, BaseException):
        raise said
    heard: float | RoomResult = said
    return heard


def _work(pipe: Connection) -> None:
    """Judge room after room until the parent ends this process."""
    next_s = 0.0

    def on_share(share: float) -> None:
        nonlocal next_s
        if time.monotonic() >= next_s:
            next_s = time.monotonic() + _TELL_EVERY_S
            pipe.send(float(share))

    with contextlib.suppress(EOFError, BrokenPipeError, ConnectionResetError):  # the parent is gone
        while True:
            task: RoomTask = pipe.recv()
            try:
                pipe.send(judge_room(task, on_share))
            except TankwatchError as error:
                pipe.send(error)
