"""The option `--store` of the commands that read a history."""

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tankwatch.config import Config
    from tankwatch.store.room_reader import RoomReader


def add_store_option(parser: argparse.ArgumentParser) -> None:
    """Add `--store` to `parser`."""
    parser.add_argument(
        "--store",
        metavar="WHERE",
        help="read the history from there instead: a copy of the store, or the central one, "
        "postgresql://USER@HOST/DATABASE",
    )


def reader_for(args: argparse.Namespace, config: "Config") -> "RoomReader":
    """Return the history that `--store` names, or that of the configuration.

    Raises:
        StoreError: `--store` is an address of another kind.
    """
    from tankwatch.store.room_reader import open_reader

    return open_reader(args.store or config.store.path, config.room.slug)
