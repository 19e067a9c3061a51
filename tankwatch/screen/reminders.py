"""Reminders while hands are in a tank: work that runs long is easily forgotten, and so is a heater."""

from tankwatch.screen import words
from tankwatch.screen.ink import clean
from tankwatch.snapshot import RoomSnapshot, TankSnapshot

LONG_MIN = 45.0
"""Work that lasts longer is asked about (common practice, no published source)."""
AGAIN_MIN = 15.0
"""And asked about again after so long."""


class Reminders:
    """Remembers when each tank was spoken of last."""

    def __init__(self) -> None:
        """Nothing has been said yet."""
        self._said_s: dict[str, float] = {}

    def due(self, snapshot: RoomSnapshot, monotonic_s: float) -> list[str]:
        """Return what to say now, one sentence for each tank in which work runs long."""
        found = []
        for tank in snapshot.tanks:
            if not tank.service or tank.service_since_s is None:
                self._said_s.pop(tank.tank_id, None)
                continue
            minutes = (snapshot.time_s - tank.service_since_s) / 60.0
            said_s = self._said_s.get(tank.tank_id, float("-inf"))
            if minutes >= LONG_MIN and monotonic_s - said_s >= AGAIN_MIN * 60.0:
                self._said_s[tank.tank_id] = monotonic_s
                found.append(_sentence(tank, minutes))
        return found


def _sentence(tank: TankSnapshot, minutes: float) -> str:
    return (
        f"{clean(tank.name or tank.tank_id)}: service for {words.span(minutes)}. "
        "Alarms that the work explains are held back. Is it over? "
        "Is the heater under water and plugged in again?"
    )
