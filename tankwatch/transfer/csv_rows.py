"""Rows of a CSV file, each with its number; a row that is none is refused like a bad value."""

import csv
from collections.abc import Iterable, Iterator

from tankwatch.errors import UsageError
from tankwatch.transfer.taken import OnRefused


class CsvRows:
    """Header and rows of `lines`; the header is row `first`."""

    def __init__(
        self, lines: Iterable[str], on_refused: OnRefused, *, delimiter: str = ",", first: int = 1
    ) -> None:
        """Read the header.

        Raises:
            UsageError: the first row is no row of a CSV file.
        """
        self._reader = csv.reader(lines, delimiter=delimiter)
        self._on_refused = on_refused
        self._number = first
        try:
            header = next(self._reader, [])
        except csv.Error as error:
            raise UsageError(f"row {first} is no header of a CSV file: {error}") from error
        self.header = [name.removeprefix("\ufeff") if i == 0 else name for i, name in enumerate(header)]

    def __iter__(self) -> Iterator[tuple[int, list[str]]]:
        """Yield number and cells of each row after the header."""
        while True:
            self._number += 1
            try:
                cells = next(self._reader)
            except StopIteration:
                return
            except csv.Error as error:  # a field of a mebibyte, say: a quote that was never closed
                self._on_refused(self._number, f"no row of a CSV file: {error}")
                continue
            yield self._number, cells
