"""What came of trying something that the configuration names, for `tankwatch check --live`."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Tried:
    """One table of the configuration, tried."""

    table: str
    ok: bool
    detail: str
    """What happened, in words, without secrets."""
