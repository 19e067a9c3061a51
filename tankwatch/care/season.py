"""The season of a room, and how much water the trade changes in it."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from tankwatch.errors import UsageError
from tankwatch.physics.guard import between


class Season(StrEnum):
    """What matters for a change of water: how cold the tap and the room are."""

    SUMMER = "summer"
    WINTER = "winter"
    BETWEEN = "between"
    """Spring and autumn."""


@dataclass(frozen=True, slots=True)
class ChangeShares:
    """Shares of the tank changed at once, by season.

    Common practice, no published source: about half at most in summer and two fifths better; small and often
    in winter. It is configuration: pass your own.
    """

    summer_usual: float = 0.40
    summer_most: float = 0.50
    between_usual: float = 0.30
    between_most: float = 0.40
    winter_usual: float = 0.15
    winter_most: float = 0.25

    def usual(self, season: Season) -> float:
        """Return the share to plan with, 0..1."""
        return float(getattr(self, f"{season}_usual"))

    def most(self, season: Season) -> float:
        """Return the largest share, 0..1."""
        return float(getattr(self, f"{season}_most"))

    def check(self) -> None:
        """Refuse shares outside 0..1 or a usual share above the largest.

        Raises:
            ValueError: so.
        """
        for season in Season:
            most = between(f"largest share in {season}", self.most(season), 0.01, 1.0)
            between(f"usual share in {season}", self.usual(season), 0.01, most)


def season_of(month: int, hemisphere: Literal["north", "south"]) -> Season:
    """Return the meteorological season: June to August is summer in the north and winter in the south.

    Raises:
        UsageError: the month is not 1..12, or the hemisphere neither north nor south.
    """
    if not 1 <= month <= 12:
        raise UsageError(f"month must be from 1 to 12, got {month}")
    if hemisphere not in ("north", "south"):
        raise UsageError(f"hemisphere must be north or south, got {hemisphere!r}")
    northern = month if hemisphere == "north" else (month + 5) % 12 + 1
    if northern in (6, 7, 8):
        return Season.SUMMER
    return Season.WINTER if northern in (12, 1, 2) else Season.BETWEEN
