"""Which rooms a back-test is about, by the options of the command."""

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tankwatch.backtest.task import RecordedRoom, RoomTask
from tankwatch.config import Config, load
from tankwatch.config_types import is_url
from tankwatch.errors import UsageError
from tankwatch.review.span import time_of

_PARQUET = (".parquet", ".pq")


@dataclass(frozen=True, slots=True)
class RoomAsked:
    """A room, its configurations and its readings."""

    config_path: Path
    config: Config
    other: Config | None
    """What it is compared against."""
    recorded: RecordedRoom


def rooms_asked_for(args: argparse.Namespace) -> list[RoomAsked]:
    """Return the rooms of the options of `replay`, in their order.

    Raises:
        UsageError: options do not fit together, or readings are not there.
        ConfigError: a configuration cannot be used.
    """
    named = [(args.config, args.readings), *((Path(first), rest) for first, *rest in args.room)]
    if args.against and len(args.against) != len(named):
        raise UsageError(
            f"{len(named)} room(s) are compared against {len(args.against)} configuration(s): give --against "
            "once for each room, in the order of the rooms"
        )
    if args.store and not is_url(args.store) and len(named) > 1:
        raise UsageError("--store PATH is the store of one room: for several leave the path away")
    others: list[Config | None] = [load(path) for path in args.against]
    others = others or [None] * len(named)
    rooms = []
    for (path, readings), other in zip(named, others, strict=True):
        config = load(path)
        zone = config.room.zone
        from_s = None if args.begin is None else time_of(args.begin, zone)
        to_s = None if args.end is None else time_of(args.end, zone)
        if from_s is not None and to_s is not None and not from_s < to_s:
            raise UsageError(f"the stretch ends before it begins: {args.begin} to {args.end}")
        recorded = _recorded(config, path, args.store, readings, from_s, to_s)
        rooms.append(RoomAsked(path, config, other, recorded))
    return rooms


def tasks_for(rooms: Sequence[RoomAsked], *, keep_lines: bool) -> list[RoomTask]:
    """Return the work: every room, then every room again with what it is compared against."""
    tasks = [RoomTask(room.config, room.recorded, keep_lines) for room in rooms]
    return tasks + [
        RoomTask(room.other, room.recorded, keep_lines) for room in rooms if room.other is not None
    ]


def _recorded(
    config: Config,
    config_path: Path,
    store: str | None,
    readings: Sequence[str],
    from_s: float | None,
    to_s: float | None,
) -> RecordedRoom:
    if store is not None:
        if readings:
            raise UsageError(f"--store takes the place of READINGS: leave {readings[0]} away")
        if is_url(store):
            return RecordedRoom(store=store, room=config.room.slug, from_s=from_s, to_s=to_s)
        if "://" in store:
            raise UsageError(
                f"{store.partition(':')[0]} is no kind of store that replay reads: give the path of a store "
                "or postgresql://USER@HOST/DATABASE, or export its readings to Parquet files"
            )
        path = (Path(store) if store else config.store.path).resolve()
        if not path.exists():
            raise UsageError(f"{path}: there is no store; give its path after --store, or READINGS")
        return RecordedRoom(store=str(path), from_s=from_s, to_s=to_s)
    if not readings:
        raise UsageError(f"no readings for {config_path}: name files or a folder, or add --store")
    files = [file for name in readings for file in _files(name)]
    if all(file.suffix.lower() in _PARQUET for file in files):
        return RecordedRoom(parquet=tuple(files), from_s=from_s, to_s=to_s)
    if len(files) > 1:
        raise UsageError(
            f"expected Parquet files or one file of SenML lines for {config_path}; {files[0].name} and "
            f"{files[1].name} do not go together"
        )
    if from_s is not None or to_s is not None:
        raise UsageError(
            "--from and --to need Parquet files or a store; a file of SenML lines is judged whole"
        )
    return RecordedRoom(senml=files[0])


def _files(name: str) -> list[Path]:
    if name == "-":
        raise UsageError("standard input is judged by itself, without further options")
    path = Path(name).resolve()
    if path.is_dir():
        found = sorted(file for file in path.rglob("*") if file.suffix.lower() in _PARQUET)
        if not found:
            raise UsageError(f"{path}: there is no Parquet file in this folder")
        return found
    if not path.is_file():
        raise UsageError(f"{path}: there is no such file")
    return [path]
