"""What only the whole room can tell: power lost, probes silent together, the air the tanks share."""

from collections import deque
from collections.abc import Sequence
from datetime import UTC, tzinfo
from statistics import median
from typing import TYPE_CHECKING

from tankwatch.alarms.book import AlarmBook
from tankwatch.alarms.model import Condition, Priority
from tankwatch.watchdog.words import clock_text, minutes_text

if TYPE_CHECKING:
    from tankwatch.watchdog.tank import TankWatch

_FRESH_S = 300.0
_SILENT_S = 540.0
_SILENT_INTERVALS = 3.5
_TOGETHER_S = 180.0
_FEWEST_TANKS = 3
_BOTH = 2
_MOST = 0.6
_STAYS_OFF_S = 180.0
_MAINS_HOLD_S = 24 * 3600.0


class RoomRules:
    """Silence of probes, and power loss of many tanks at once."""

    def __init__(self, book: AlarmBook, *, expects_all: bool) -> None:
        """`expects_all`: a tank that was never heard is silent too (a running watch, not a replay)."""
        self._book = book
        self._expects_all = expects_all
        self._started_s: float | None = None
        self._on_counts: deque[tuple[float, int]] = deque(maxlen=32)
        self._lost_sources: set[str] = set()
        self._power_lost_s: float | None = None
        self._wall_offset_s = 0.0
        self._zone: tzinfo = UTC

    def stood_still(self, gap_s: float) -> None:
        """Note that nobody listened for `gap_s` seconds."""
        if self._started_s is not None:
            self._started_s += gap_s

    def source_lost(self, source_id: str, lost: bool) -> None:
        """Note that a source is lost: its tanks are not told as silent one by one."""
        if lost:
            self._lost_sources.add(source_id)
        else:
            self._lost_sources.discard(source_id)

    def look(self, tanks: Sequence["TankWatch"], room_s: float, wall_offset_s: float = 0.0) -> None:
        """Judge the room at `room_s`, the room's own time; the wall's is `wall_offset_s` later."""
        self._wall_offset_s = wall_offset_s
        self._zone = tanks[0].zone if tanks else UTC
        if self._started_s is None:
            self._started_s = room_s
        self._share_air(tanks, room_s)
        self._see_heating(tanks, room_s)
        self._power(tanks, room_s)
        self._silence(tanks, room_s)

    # --- the air ---

    def _share_air(self, tanks: Sequence["TankWatch"], room_s: float) -> None:
        measured = [t.air_c for t in tanks if t.air_c is not None]
        shared = median(measured) if measured else None
        for tank in tanks:
            tank.room_air_c = shared
        shares = [
            t.duty_rules.duty_now / t.duty_rules.usual
            for t in tanks
            if t.duty_rules.usual is not None
            and t.duty_rules.usual > 0.05
            and t.duty_rules.duty_now is not None
        ]
        room_share = median(shares) if len(shares) >= 4 else None
        for tank in tanks:
            tank.duty_rules.room_share = room_share

    @staticmethod
    def _see_heating(tanks: Sequence["TankWatch"], room_s: float) -> None:
        """Tell every tank whether no heater at all seems to work in a room of some tanks."""
        heard = [
            t
            for t in tanks
            if t.heard_s is not None
            and room_s - t.heard_s < _FRESH_S
            and (t.heater_measured or t.cycles.is_known)
        ]
        unheated = len(heard) >= _FEWEST_TANKS and not any(t.seems_heated() for t in heard)
        for tank in tanks:
            tank.room_is_unheated = unheated

    # --- silence ---

    def _silence(self, tanks: Sequence["TankWatch"], room_s: float) -> None:
        for tank in tanks:
            heard_s = tank.heard_s
            if heard_s is None:
                if not self._expects_all or self._started_s is None:
                    continue
                heard_s = max(self._started_s, tank.expected_from_s)
            limit_s = max(_SILENT_S, _SILENT_INTERVALS * tank.interval_s)
            if room_s - heard_s < limit_s:
                if tank.heard_s is not None and tank.is_active(Condition.PROBE_SILENT):
                    self._book.end(tank.tank_id, Condition.PROBE_SILENT, self._stamp(tank, room_s))
                continue
            sources = {c.source for c in tank.config.channel}
            if tank.in_service(tank.timeline.last_s + room_s - heard_s) or sources & self._lost_sources:
                continue
            if tank.is_active(Condition.PROBE_SILENT) or self._book.active(None, Condition.POWER_LOSS):
                continue
            together = [
                t
                for t in tanks
                if t.heard_s is not None
                and abs(t.heard_s - heard_s) <= _TOGETHER_S
                and room_s - t.heard_s > 0.5 * limit_s
            ]
            alive = [t for t in tanks if t.heard_s is not None and t.heard_s >= heard_s - _TOGETHER_S]
            both_of_two = len(alive) == len(together) == _BOTH
            if both_of_two or (len(together) >= _FEWEST_TANKS and len(together) >= _MOST * len(alive)):
                self._begin_power_loss(
                    tanks,
                    heard_s + limit_s,
                    heard_s,
                    f"{len(together)} probes fell silent together at {self._wall_text(heard_s)}",
                    len(together),
                )
                continue
            last = (
                "never heard"
                if tank.heard_s is None
                else f"last heard at {clock_text(self._stamp(tank, heard_s), tank.zone)}"
            )
            told_s = min(self._stamp(tank, heard_s) + limit_s, self._stamp(tank, room_s))
            self._book.begin(
                tank.tank_id,
                Condition.PROBE_SILENT,
                Priority.HIGH,
                told_s,
                f"No temperature from the probe, {last}. The water is not watched. "
                "Look at the probe's power, cable and network.",
                since_s=self._stamp(tank, heard_s),
                value=round(limit_s / 60.0, 1),
                evidence={"likely": ["probe without power", "network or cable", "broker"]},
            )

    def _wall_text(self, room_s: float) -> str:
        return clock_text(room_s + self._wall_offset_s, self._zone)

    def _stamp(self, tank: "TankWatch", room_s: float) -> float:
        """Turn room time into the stamps of the tank's probe."""
        if tank.heard_s is None:
            return room_s + self._wall_offset_s
        return tank.stamp(tank.timeline.last_s) + (room_s - tank.heard_s)

    # --- power ---

    def _power(self, tanks: Sequence["TankWatch"], room_s: float) -> None:
        heard = [t for t in tanks if t.heard_s is not None and room_s - t.heard_s < _FRESH_S]
        measured = [t for t in heard if t.heater_measured]
        on_count = sum(t.heater_on for t in measured)
        self._on_counts.append((room_s, on_count))
        if self._book.active(None, Condition.POWER_LOSS) is not None:
            self._judge_return(tanks, heard, on_count, room_s)
            return
        mains = _mains(tanks, room_s)
        if mains is False:
            self._begin_power_loss(tanks, room_s, room_s, "The mains are gone", len(heard))
            return
        if len(heard) < _FEWEST_TANKS or mains:
            return
        if on_count == 0 and len(measured) >= _FEWEST_TANKS:
            early = [t.stopped_early_s for t in measured if room_s - t.stopped_early_s < 900.0]
            if len(early) >= 2:
                since_s = max(early)
                before = max((count for time_s, count in self._on_counts if time_s <= since_s), default=0)
                group = [s for s in early if since_s - s <= _TOGETHER_S]
                settled = room_s - since_s >= _STAYS_OFF_S
                if settled and len(group) >= max(2, 0.5 * before):
                    self._begin_power_loss(
                        tanks,
                        room_s,
                        min(group),
                        f"All {len(measured)} heaters went off together at {self._wall_text(min(group))}, "
                        f"{len(group)} of them in the middle of heating",
                        len(measured),
                    )
                    return
        cold = [t for t in heard if t.is_active(Condition.HEATER_NO_HEAT) or t.heater_rules.is_cold_and_idle]
        known = [t for t in heard if t.cycles.is_known]
        if len(cold) >= _FEWEST_TANKS and len(cold) >= 0.5 * len(known):
            self._begin_power_loss(
                tanks,
                room_s,
                room_s,
                f"{len(cold)} tanks of {len(known)} cool without heat together",
                len(cold),
            )

    def _begin_power_loss(
        self, tanks: Sequence["TankWatch"], now_s: float, since_s: float, what: str, count: int
    ) -> None:
        margins = [m for m in (t.minutes_to_low() for t in tanks) if m is not None]
        margin = min(margins) if margins else None
        left = "" if margin is None else f" The first tank reaches its low limit in {minutes_text(margin)}."
        self._power_lost_s = now_s
        told_s = now_s + self._wall_offset_s
        self._book.begin(
            None,
            Condition.POWER_LOSS,
            Priority.CRITICAL,
            told_s,
            f"{what}.{left} Look at the fuse and residual-current device; electrical work is for a licensed "
            "person. Cover the tanks, keep air pumps running from a battery.",
            since_s=since_s + self._wall_offset_s,
            value=float(count),
            margin_min=margin,
            evidence={"tanks": count},
        )
        for tank in tanks:
            for condition in (Condition.HEATER_NO_HEAT, Condition.PROBE_SILENT, Condition.COOLING_FAST):
                if tank.is_active(condition):
                    self._book.end(tank.tank_id, condition, told_s)

    def _judge_return(
        self, tanks: Sequence["TankWatch"], heard: Sequence["TankWatch"], on_count: int, room_s: float
    ) -> None:
        mains = _mains(tanks, room_s)
        if mains is False:
            return
        ever_heard = [t for t in tanks if t.heard_s is not None]
        if not ever_heard:
            return  # just started, perhaps amid the outage: nothing is known of a return yet
        measured = [t for t in heard if t.heater_measured]
        back = len(heard) >= 0.5 * len(ever_heard)
        heats = on_count >= max(1, 0.2 * len(measured)) if measured else True
        cold = sum(t.heater_rules.is_cold_and_idle for t in heard)
        warm_room = (
            bool(measured) and on_count == 0 and cold == 0 and room_s - (self._power_lost_s or 0.0) > 7200.0
        )
        if back and (mains or heats or warm_room) and (mains or cold <= 0.3 * len(heard)):
            self._book.end(None, Condition.POWER_LOSS, room_s + self._wall_offset_s)
            for tank in tanks:
                tank.start_recovery(from_power_loss=True)


def _mains(tanks: Sequence["TankWatch"], room_s: float) -> bool | None:
    """Return whether the mains are there, where any tank's probe says so."""
    said = [t.mains for t in tanks if t.mains is not None and room_s - t.mains_s < _MAINS_HOLD_S]
    return any(said) if said else None
