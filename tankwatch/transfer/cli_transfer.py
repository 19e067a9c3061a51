"""The commands `export`, `import` and `backup`."""

import argparse
import contextlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from tankwatch.errors import UsageError
from tankwatch.store.cli_store import add_store_option, reader_for

if TYPE_CHECKING:
    from tankwatch.config import Config
    from tankwatch.reading import Reading
    from tankwatch.transfer.logger_file import Mapping
    from tankwatch.transfer.taken import OnRefused

FORMATS = ("csv", "senml", "parquet")
_SUFFIXES = {".csv": "csv", ".jsonl": "senml", ".senml": "senml", ".parquet": "parquet", ".pq": "parquet"}
_SHOWN_REFUSALS = 10


def add_transfer_parsers(subparsers: Any) -> None:
    """Add `export`, `import` and `backup` to the commands of `tankwatch`."""
    form = "csv, senml (JSON lines, as replay reads them) or parquet; by default by the file's name"
    sub = subparsers.add_parser(
        "export",
        help="write readings to a file: CSV, SenML JSON lines or Parquet",
        description="Write the store's readings and service marks to a file, ordered by time; times are UTC.",
    )
    sub.add_argument("config", metavar="CONFIG", type=Path, help="configuration file")
    sub.add_argument("file", metavar="FILE", help="file to write, or - for standard output")
    sub.add_argument("--format", choices=FORMATS, help=form)
    sub.add_argument("--from", metavar="TIME", dest="begin", help="begin, local or with an offset")
    sub.add_argument("--to", metavar="TIME", dest="end", help="end")
    sub.add_argument("--tank", metavar="ID", action="append", help="only this tank; may be repeated")
    add_store_option(sub)
    sub.set_defaults(command=run_export)

    sub = subparsers.add_parser(
        "import",
        help="take readings from a file into the store: CSV, SenML JSON lines or Parquet",
        description="Take readings and service marks from a file into the store; no watch may run meanwhile. "
        "A reading that the store has already is left as it is.",
    )
    sub.add_argument("config", metavar="CONFIG", type=Path, help="configuration file")
    sub.add_argument("file", metavar="FILE", help="file to read, or - for standard input")
    sub.add_argument("--format", choices=FORMATS, help=form)
    logger = sub.add_argument_group("a logger's own CSV")
    logger.add_argument("--time", metavar="HEADER", help="its column of times")
    logger.add_argument(
        "--column",
        metavar="HEADER=TANK/CHANNEL[:UNIT]",
        action="append",
        help='where a column goes, e.g. "Water F=t01/temperature:F"; may be repeated',
    )
    logger.add_argument("--time-format", metavar="FORMAT", help="as strptime has it, or unix; else ISO 8601")
    logger.add_argument("--timezone", metavar="ZONE", help="zone of its times (default: the room's)")
    logger.add_argument("--delimiter", metavar="CHARACTER", default=",", help="between cells (default ,)")
    logger.add_argument("--decimal", metavar="CHARACTER", default=".", help="decimal mark (default .)")
    logger.add_argument("--skip-lines", metavar="N", type=int, default=0, help="lines before the header")
    sub.set_defaults(command=run_import)

    sub = subparsers.add_parser(
        "backup",
        help="copy the store, while a watch may run, and verify the copy",
        description="Copy the store, while a watch may run, and verify the copy.",
    )
    sub.add_argument("config", metavar="CONFIG", type=Path, help="configuration file")
    sub.add_argument("file", metavar="FILE", type=Path, help="new file, best on another disk")
    sub.add_argument(
        "--shrink",
        action="store_true",
        help="then write the store itself anew, as small as it can be; no watch may run meanwhile",
    )
    sub.set_defaults(command=run_backup)


def run_export(args: argparse.Namespace) -> int:
    """Write the readings; return the exit status.

    Raises:
        UsageError: a time or a file cannot be used.
        StoreError: the store cannot be read.
    """
    from tankwatch.config import load
    from tankwatch.review.span import time_of
    from tankwatch.transfer.progress import ShareLine
    from tankwatch.transfer.stored_rows import stored_rows

    config = load(args.config)
    form = _format(args)
    for name in args.tank or ():
        config.tank_by_id(name)
    zone = config.room.zone
    line = ShareLine("exported")
    left_out = _Counter()
    rows = stored_rows(
        reader_for(args, config),
        None if args.begin is None else time_of(args.begin, zone),
        None if args.end is None else time_of(args.end, zone),
        args.tank,
        line,
    )
    if form == "parquet":
        from tankwatch.transfer.parquet_file import write_parquet

        if args.file == "-":
            raise UsageError("Parquet needs a file of its own, not standard output")
        with _whole(Path(args.file)) as partial:
            count = write_parquet(rows, partial)
    else:
        from tankwatch.transfer.csv_file import write_csv
        from tankwatch.transfer.senml_file import write_senml

        def write(out: TextIO) -> int:
            return write_csv(rows, out) if form == "csv" else write_senml(rows, out, left_out.append)

        if args.file == "-":
            count = write(sys.stdout)
        else:
            with _whole(Path(args.file)) as partial, partial.open("w", encoding="utf-8", newline="") as out:
                count = write(out)
    line.done()
    if left_out.count:
        _narrate(f"{left_out.count:,} row(s) from before 1978 left out: SenML cannot tell them")
    _narrate(f"{count:,} row(s) written")
    return 0


def run_import(args: argparse.Namespace) -> int:
    """Take the readings of a file; return the exit status.

    Raises:
        UsageError: the file or its mapping cannot be used, or nothing of it was taken.
        StoreError: a watch runs, or the store cannot be written.
    """
    from tankwatch.clock import SystemClock
    from tankwatch.config import load
    from tankwatch.store.bulk import write_history
    from tankwatch.transfer.progress import ShareLine
    from tankwatch.transfer.taken import Taken, only_known

    config = load(args.config)
    taken = Taken()

    def on_refused(number: int, reason: str) -> None:
        taken.refused += 1
        if taken.refused <= _SHOWN_REFUSALS:
            _narrate(f"line {number}: {reason}")

    line = ShareLine("imported")
    now_s = SystemClock().wall_s()
    with contextlib.ExitStack() as stack:
        readings = only_known(
            _readings(args, config, on_refused, stack), {tank.id for tank in config.tank}, taken
        )
        # The run has no length: nobody watched while those readings were made.
        new = write_history(config.store.path, readings, run=(now_s, now_s), progress=line.count)
    line.done()
    for tank, count in taken.unknown.most_common(10):
        _narrate(f"{count:,} reading(s) of tank {tank!r}, which the configuration does not have, left out")
    if taken.refused:
        _narrate(f"{taken.refused:,} line(s) or value(s) refused")
    _narrate(f"{taken.readings:,} reading(s) and mark(s) taken, {new:,} of the readings new")
    if taken.readings == 0:
        raise UsageError(f"{args.file}: nothing in it could be taken")
    return 0


def run_backup(args: argparse.Namespace) -> int:
    """Copy the store; return the exit status.

    Raises:
        UsageError: the file exists or cannot be written, or there is no room to shrink the store.
        StoreError: the store cannot be read, or the copy is not sound.
    """
    from tankwatch.clock import SystemClock
    from tankwatch.config import load
    from tankwatch.transfer.backup import back_up
    from tankwatch.transfer.progress import ShareLine
    from tankwatch.transfer.shrink import room_in, shrink

    config = load(args.config)
    line = ShareLine("copied")
    done = back_up(config.store.path, args.file, line)
    line.done()
    _narrate(
        f"{done.path}: {done.size_bytes:,} bytes, {sum(done.rows.values()):,} rows in "
        f"{len(done.rows)} tables, {done.blocks:,} blocks; checked and "
        + ("sound" if not done.damaged else "as sound as the store itself")
    )
    for damaged in done.damaged[:_SHOWN_REFUSALS]:
        _narrate(f"damaged in the store already: {damaged}")
    if len(done.damaged) > _SHOWN_REFUSALS:
        _narrate(f"… and {len(done.damaged) - _SHOWN_REFUSALS:,} more such stretches")
    if args.shrink:
        before, after = shrink(config.store.path, SystemClock())
        _narrate(f"{config.store.path}: {before.size_bytes:,} bytes before, {after.size_bytes:,} now")
    elif (room := room_in(config.store.path)).is_worth_it:
        _narrate(
            f"{config.store.path}: {room.used_bytes:,} of {room.size_bytes:,} bytes are used; to give the "
            "rest back to the disk, stop the watch and make a backup with --shrink once"
        )
    return 0


def _readings(
    args: argparse.Namespace, config: "Config", on_refused: "OnRefused", stack: contextlib.ExitStack
) -> "Iterator[Reading]":
    """Return the readings of the file; it is opened within `stack`."""
    form = _format(args)
    is_logger = args.time is not None or args.column
    if form == "parquet":
        from tankwatch.transfer.parquet_file import read_parquet

        return read_parquet(_readable(args.file), on_refused)
    if form == "senml":
        from tankwatch.transfer.senml_file import read_senml

        if args.file == "-":
            return read_senml(sys.stdin.buffer, on_refused)
        return read_senml(stack.enter_context(_readable(args.file).open("rb")), on_refused)
    if args.file == "-":
        text = sys.stdin
    else:
        text = stack.enter_context(
            _readable(args.file).open(encoding="utf-8-sig", errors="replace", newline="")
        )
    if is_logger:
        from tankwatch.transfer.logger_file import read_logger

        return read_logger(text, _mapping(args, config), on_refused)
    from tankwatch.transfer.csv_file import read_csv

    return read_csv(text, on_refused)


def _mapping(args: argparse.Namespace, config: "Config") -> "Mapping":
    from tankwatch.transfer.logger_file import Mapping, column_of

    if args.time is None or not args.column:
        raise UsageError("a logger's file needs both --time and at least one --column")
    if len(args.delimiter) != 1 or len(args.decimal) != 1:
        raise UsageError("expected --delimiter and --decimal to be one character each")
    columns = tuple(column_of(text) for text in args.column)
    for column in columns:
        config.tank_by_id(column.tank)
    zone = config.room.zone
    if args.timezone is not None:
        import zoneinfo

        try:
            zone = zoneinfo.ZoneInfo(args.timezone)
        except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError) as error:
            raise UsageError(f"expected an IANA time zone such as Etc/UTC, got {args.timezone!r}") from error
    return Mapping(
        args.time, columns, zone, args.time_format, args.delimiter, args.decimal, max(0, args.skip_lines)
    )


def _format(args: argparse.Namespace) -> str:
    if args.format is not None:
        return str(args.format)
    if args.file == "-":
        return "csv"
    form = _SUFFIXES.get(Path(args.file).suffix.lower())
    if form is None:
        raise UsageError(
            f"{args.file}: the name does not tell the format (.csv, .jsonl, .parquet): add --format"
        )
    return form


def _readable(name: str) -> Path:
    path = Path(name)
    if name == "-":
        raise UsageError("Parquet needs a file of its own, not standard input")
    try:
        path.open("rb").close()
    except OSError as error:
        raise UsageError(f"{path}: cannot be read: {error.strerror}") from error
    return path


class _Counter:
    """Counts what is appended, and keeps nothing."""

    def __init__(self) -> None:
        self.count = 0

    def append(self, _item: object) -> None:
        self.count += 1


@contextlib.contextmanager
def _whole(path: Path) -> Iterator[Path]:
    """Give a path to write to; it becomes `path` only when all is written."""
    partial = path.with_name(path.name + ".partial")
    try:
        yield partial
        os.replace(partial, path)
    except OSError as error:
        raise UsageError(f"{path}: cannot be written: {error.strerror}") from error
    finally:
        partial.unlink(missing_ok=True)


def _narrate(text: str) -> None:
    from tankwatch.safetext import safe_text

    print(safe_text(text, 300), file=sys.stderr)
