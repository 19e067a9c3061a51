"""How far a long command is, on standard error; on a terminal as one line that is written over."""

import sys
import time


class ShareLine:
    """Shows a share, 0..1, and at most twice a second."""

    def __init__(self, text: str) -> None:
        """Show `text` before it."""
        self._text = text
        self._next_s = time.monotonic() + 0.5
        self._shown = False

    def __call__(self, share: float) -> None:
        """Show that `share` is done."""
        if sys.stderr.isatty() and time.monotonic() >= self._next_s:
            self._write(f"{share:.0%}")

    def count(self, number: int) -> None:
        """Show that `number` are done, of a whole that nobody knows."""
        if sys.stderr.isatty() and time.monotonic() >= self._next_s:
            self._write(f"{number:,}")

    def done(self) -> None:
        """End the line."""
        if self._shown:
            print(file=sys.stderr)

    def _write(self, what: str) -> None:
        print(f"\r{self._text}: {what}   ", end="", file=sys.stderr, flush=True)
        self._next_s = time.monotonic() + 0.5
        self._shown = True
