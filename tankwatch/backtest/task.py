"""The unit of work: one room under one configuration, judged from the first reading to the last."""

from collections import Counter
from collections.abc import Callable, Generator, Iterable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from tankwatch.alarms.model import Transition
from tankwatch.backtest.episode import Episode, Episodes
from tankwatch.backtest.stretch import CHANNELS, MARKS, Stretch, TankNames
from tankwatch.config import Config
from tankwatch.decode.senml import ABSOLUTE_FROM_S
from tankwatch.errors import BacktestError, TankwatchError, UsageError
from tankwatch.printing import step_as_json
from tankwatch.reading import Channel
from tankwatch.watchdog.replay import replay
from tankwatch.watchdog.roomclock import RoomClock
from tankwatch.watchdog.watchdog import Watchdog

OnShare = Callable[[float], None]
"""Told the share that is done, 0..1."""

OnRefused = Callable[[int, str], None]
"""Called with a number of values that were left out, and why."""

_MOST_REASONS = 100
_TELL_EVERY_LINES = 10_000


@dataclass(frozen=True, slots=True)
class RecordedRoom:
    """Where the readings of a room are: Parquet files, a store, or SenML lines."""

    parquet: tuple[Path, ...] = ()
    store: Path | str | None = None
    """The path of a file, or the address of a server, which holds rooms by their slug."""
    room: str = ""
    senml: Path | None = None
    """A pack a line, as plain replay reads them: always from the first to the last."""
    from_s: float | None = None
    """Nothing before is judged, seconds since 1970 UTC."""
    to_s: float | None = None

    def stretches(self, tanks: TankNames, on_share: OnShare, on_refused: OnRefused) -> Generator[Stretch]:
        """Yield the readings in order; raises UsageError or StoreError where they cannot be read."""
        if self.store is not None:
            from tankwatch.backtest.stored import stored_stretches
            from tankwatch.store.room_reader import open_reader

            reader = open_reader(self.store, self.room)
            return stored_stretches(reader, self.from_s, self.to_s, tanks, on_share, on_refused)
        from tankwatch.backtest.parquet_rows import parquet_stretches

        return parquet_stretches(self.parquet, self.from_s, self.to_s, tanks, on_share, on_refused)


@dataclass(frozen=True, slots=True)
class RoomTask:
    """What a worker needs; it can be sent to another process or machine that sees the same paths."""

    config: Config
    recorded: RecordedRoom
    keep_lines: bool
    """Whether the steps are wanted as lines of JSON, beside the alarms."""


@dataclass(slots=True)
class RoomResult:
    """What a room would have been told."""

    room: str
    episodes: tuple[Episode, ...] = ()
    lines: list[tuple[float, str]] = field(default_factory=list)
    """Time and line of every step, as plain `replay --json` prints it."""
    readings: int = 0
    """Values judged; lines of a file of SenML."""
    refused: Counter[str] = field(default_factory=Counter)
    """Values (or damaged stretches) left out, by reason."""
    unknown: dict[str, int] = field(default_factory=dict)
    """Readings of tanks that the configuration does not have, by tank."""


def judge_room(task: RoomTask, on_share: OnShare = lambda share: None) -> RoomResult:
    """Run the watchdog over a room's readings.

    Raises:
        UsageError: a file cannot be used.
        StoreError: the store cannot be read.
        BacktestError: the watchdog failed, which is a fault of this program; tank and time are named.
    """
    result = RoomResult(task.config.room.name)
    episodes = Episodes()

    def on_refused(count: int, reason: str) -> None:
        if reason in result.refused or len(result.refused) < _MOST_REASONS:
            result.refused[reason] += count

    def take(step: Transition) -> None:
        episodes.take(step)
        if task.keep_lines:
            result.lines.append((step.time_s, step_as_json(step)))

    dog = Watchdog(task.config, expects_all=False)
    if task.recorded.senml is not None:
        result.readings = _judge_lines(dog, task.recorded.senml, on_refused, take, on_share)
    else:
        _judge_stretches(dog, task.recorded, on_refused, take, on_share, result)
    result.episodes = episodes.all()
    result.unknown = dict(dog.unknown)
    return result


def _judge_lines(
    dog: Watchdog,
    path: Path,
    on_refused: OnRefused,
    take: Callable[[Transition], None],
    on_share: OnShare,
) -> int:
    """Judge a file of SenML packs; return how many lines it has."""
    count, done = 0, 0

    def counted(file: Iterable[bytes], size: int) -> Iterator[bytes]:
        nonlocal count, done
        for line in file:
            count, done = count + 1, done + len(line)
            if count % _TELL_EVERY_LINES == 0:
                on_share(done / size)
            yield line

    try:
        with path.open("rb") as file:
            lines = counted(file, max(1, path.stat().st_size))
            for step in replay(dog.config, lines, lambda number, reason: on_refused(1, reason), dog):
                take(step)
    except OSError as error:
        raise UsageError(f"{path}: cannot be read: {error.strerror}") from error
    return count


def _judge_stretches(
    dog: Watchdog,
    recorded: RecordedRoom,
    on_refused: OnRefused,
    take: Callable[[Transition], None],
    on_share: OnShare,
    result: RoomResult,
) -> None:
    clock = RoomClock()
    tanks = TankNames()
    stretches = recorded.stretches(tanks, on_share, on_refused)
    with closing(stretches):
        for stretch in stretches:
            told = _absolute(stretch, on_refused)
            result.readings += len(told)
            _judge(dog, clock, told, tanks.names, take)


def _absolute(stretch: Stretch, on_refused: OnRefused) -> Stretch:
    """Leave out what SenML cannot tell, so that every way to the same readings gives the same alarms."""
    early = stretch.time_us < ABSOLUTE_FROM_S * 1e6
    if not early.any():
        return stretch
    on_refused(int(early.sum()), "time before 1978, of a board without a clock")
    return stretch.part(~early)


def _judge(
    dog: Watchdog, clock: RoomClock, stretch: Stretch, names: list[str], take: Callable[[Transition], None]
) -> None:
    """Do with every reading what a replay does with every record."""
    see, advance, judge, book = clock.see, dog.advance, dog.take, dog.book
    service = Channel.SERVICE
    tank, time_s = "", 0.0
    try:
        for time_s, tank_number, channel_number, value in zip(
            (stretch.time_us / 1e6).tolist(),
            stretch.tank.tolist(),
            stretch.channel.tolist(),
            stretch.value.tolist(),
            strict=True,
        ):
            tank, channel = names[tank_number], CHANNELS[channel_number]
            advance(see(tank, time_s))
            if clock.leapt:
                for leapt in clock.leapt:
                    dog.heard(leapt)
                clock.leapt = ()
            if channel is service:
                judge(tank, channel, time_s, 0.0, MARKS[int(value)])
            else:
                judge(tank, channel, time_s, value, None)
            if book.has_steps:
                for step in dog.take_steps():
                    take(step)
    except TankwatchError:
        raise
    except (ArithmeticError, AttributeError, IndexError, KeyError, TypeError, ValueError) as error:
        when = np.datetime_as_string(np.datetime64(round(time_s * 1000.0), "ms"), unit="ms")
        raise BacktestError(
            f"{dog.config.room.name}: the watchdog failed at a reading of tank {tank} of {when}Z "
            f"({type(error).__name__}: {error}). This is a fault of tankwatch: report it with the readings "
            "of that hour, and go round it with --from and --to."
        ) from error
