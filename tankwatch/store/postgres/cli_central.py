"""The command `central`: make the central store ready for the rooms that are to be forwarded to it."""

import argparse
from pathlib import Path
from typing import Any

from tankwatch.errors import UsageError

_ABOUT = """\
Make the tables of the central store, or bring them up to date, and give two roles their rights. The user in
URL must own the database. The roles are made by you first, with passwords of their own:

  CREATE ROLE tank_writer LOGIN PASSWORD '…';     for the watches: [forward] url
  CREATE ROLE tank_reader LOGIN PASSWORD '…';     for screens and reviews: --store

The reader may not write; the writer may neither delete nor drop. Running it again does no harm.
"""


def add_central_parser(subparsers: Any) -> None:
    """Add `central` to the commands of `tankwatch`."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "central",
        help="make a PostgreSQL database ready to be the central store of many rooms",
        description=_ABOUT,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("url", metavar="URL", help="postgresql://OWNER@HOST/DATABASE, without a password")
    parser.add_argument("--writer", metavar="ROLE", help="role that may add what is new")
    parser.add_argument("--reader", metavar="ROLE", help="role that may look")
    parser.add_argument(
        "--password-file", metavar="FILE", type=Path, help="libpq's password file, mode 0600; else PGPASSFILE"
    )
    parser.set_defaults(command=run_central)


def run_central(args: argparse.Namespace) -> int:
    """Make or update the tables and grant the rights; return 0.

    Raises:
        UsageError: URL is none, or only one of the roles is named.
        StoreError: the server cannot be reached, or the user may not do it.
    """
    from tankwatch.config_types import is_url
    from tankwatch.store.postgres.connection import connect
    from tankwatch.store.postgres.schema import grant, make_months, migrate

    if not is_url(args.url):
        raise UsageError(f"expected postgresql://OWNER@HOST/DATABASE, got {args.url!r}")
    if (args.writer is None) != (args.reader is None):
        raise UsageError("name both roles, --writer and --reader, or neither")
    with connect(args.url, password_file=args.password_file) as connection:
        applied = migrate(connection)
        print(f"tables: {', '.join(applied)} applied" if applied else "tables: up to date")
        print(f"months made ahead: {make_months(connection)}")
        if args.writer is not None:
            grant(connection, args.writer, args.reader)
            print(f"{args.writer} may add what is new; {args.reader} may look")
    return 0
