"""What is said at the start of the watch: for how long nobody watched, and what changed meanwhile."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from tankwatch.alarms.model import Condition
from tankwatch.notify.words import duration
from tankwatch.reading import Channel
from tankwatch.snapshot import RoomSnapshot
from tankwatch.store.runs import WatchRun

WAIT_FOR_VALUES_S = 90.0
"""So long after the start the first readings are waited for."""
NOTABLE_K = 0.3
_NAMED = 3


@dataclass(frozen=True, slots=True)
class BlindTime:
    """A stretch in which no watch ran, just before this one."""

    from_s: float
    to_s: float
    cause: str
    """What ended the watch before, as far as the record tells."""
    water_c: dict[str, float]
    """Last temperature of each tank before, °C."""

    @property
    def minutes(self) -> float:
        """How long, in minutes."""
        return (self.to_s - self.from_s) / 60.0


def blind_time(
    runs: Sequence[WatchRun],
    boot_id: str,
    now_s: float,
    last_values: dict[tuple[str, Channel], tuple[float, float]],
) -> BlindTime | None:
    """Return how long nobody watched before `now_s`, or None at the first start.

    `runs` are those before this one; `boot_id` is the machine's present start.
    """
    if not runs:
        return None
    last = max(runs, key=lambda run: run.end_s)
    if last.end_s >= now_s:
        return None
    if last.clean:
        cause = "the watch was stopped"
    elif last.boot_id and boot_id and last.boot_id != boot_id:
        cause = "the machine lost power or was restarted"
    else:
        cause = "the watch died or was killed"
    water_c = {
        tank: value for (tank, channel), (_, value) in last_values.items() if channel is Channel.TEMPERATURE
    }
    return BlindTime(last.end_s, now_s, cause, water_c)


def fresh_share(blind: BlindTime, snapshot: RoomSnapshot) -> float:
    """Return the share of the tanks known before that have been heard since the start, 0 to 1."""
    if not blind.water_c:
        return 1.0
    return len(_fresh(blind, snapshot)) / len(blind.water_c)


def blind_text(blind: BlindTime, snapshot: RoomSnapshot | None, zone: ZoneInfo) -> str:
    """Return what is known of the blind time in at most 280 characters."""
    start, end = (datetime.fromtimestamp(time_s, zone) for time_s in (blind.from_s, blind.to_s))
    form = "%H:%M" if start.date() == end.date() else "%a %H:%M"
    text = (
        f"Nobody watched from {start.strftime(form)} to {end.strftime(form)} "
        f"({duration(blind.minutes)}): {blind.cause}."
    )
    if snapshot is None:
        return text
    changes = sorted(
        ((now_c - blind.water_c[tank], tank, now_c) for tank, now_c in _fresh(blind, snapshot).items()),
        key=lambda change: -abs(change[0]),
    )
    notable = [change for change in changes if abs(change[0]) >= NOTABLE_K][:_NAMED]
    if notable:
        moved = ", ".join(f"{tank} {now_c - by_k:.1f} to {now_c:.1f} °C" for by_k, tank, now_c in notable)
        text += f" Meanwhile: {moved}."
    elif changes:
        text += f" No water of {len(changes)} tanks moved by {NOTABLE_K:g} °C."
    silent = len(blind.water_c) - len(changes)
    if silent > 0:
        text += f" Not heard yet: {silent} tanks."
    if any(alarm.condition is Condition.POWER_LOSS for alarm in snapshot.alarms):
        text += " The tanks have no power."
    return text[:280]


def _fresh(blind: BlindTime, snapshot: RoomSnapshot) -> dict[str, float]:
    """Return the temperatures heard since the start, by tank."""
    found = {}
    for tank in snapshot.tanks:
        live = tank.values.get("temperature")
        known = tank.tank_id in blind.water_c
        if known and live is not None and not live.stale and not live.retained and live.time_s > blind.from_s:
            found[tank.tank_id] = live.value
    return found
