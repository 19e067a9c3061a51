"""How much the heater works: measured over 1, 6 and 24 hours, and against what the model expects."""

import math
from collections import deque
from typing import TYPE_CHECKING, Any

from tankwatch.alarms.model import Condition, Priority
from tankwatch.watchdog.slots import Slots

if TYPE_CHECKING:
    from tankwatch.watchdog.tank import TankWatch

_DAY_SLOTS = 145
_SHORTEST_S = 3 * 3600.0
_FEWEST_BLOCKS = 6
_ABOVE = 0.10
_ABOVE_SHARE = 0.30
_NEEDED = 3
_NEEDED_RECOVERED = 9
_STAYS = 0.6
_WEAK = 0.75
_ROOM_UNKNOWN_ABOVE = 0.2
_ROOM_UNKNOWN_SHARE = 0.7
_ROOM_UNKNOWN_DAYS = 1.5


class DutyRules:
    """Measured duty, expected duty, and the alarm when they part."""

    __slots__ = (
        "_from_s",
        "_high",
        "_known_days",
        "_peak",
        "_peak_slots",
        "_peaks",
        "_slots",
        "_spread",
        "duty_now",
        "expected_now",
        "room_share",
        "suspicious",
        "usual",
    )

    def __init__(self) -> None:
        """Start with nothing measured."""
        self._slots = Slots(3, _DAY_SLOTS)
        """Time, heater seconds so far, expected duty at that time or NaN; one every ten minutes."""
        self._high = 0
        self.suspicious = False
        self.duty_now: float | None = None
        """Duty over whole cycles of the last three hours or more, 0..1."""
        self.expected_now: float | None = None
        """Expected duty over the same time."""
        self.usual: float | None = None
        """Slow mean of the duty, for tanks whose room temperature nobody measures."""
        self._from_s = float("-inf")
        """Nothing before this is compared: work, or a fault that has a name already."""
        self._spread = 0.0
        self._known_days = 0.0
        self._peak = 0.0
        self._peak_slots = 0
        self._peaks: deque[float] = deque(maxlen=28)
        self.room_share: float | None = None
        """How much more than usual the neighbours heat now, as a factor; set by the room."""

    def ten_minutes(self, tank: "TankWatch", now_s: float, water_c: float) -> None:
        """Keep the books, and compare."""
        on_s = tank.on_total_s if tank.heater_measured else tank.learning.recovered_on_s(now_s)
        expected = self._expected(tank, water_c)
        self._slots.append(now_s, on_s, math.nan if expected is None else expected)
        self._measure(tank)
        held_back = (
            tank.in_service(now_s)
            or tank.recovering
            or tank.probe_rules.mistrusted
            or tank.is_active(Condition.HEATER_STUCK_ON)
            or tank.is_active(Condition.COOLING_FAST)
            or tank.is_active(Condition.HEATER_NO_HEAT)
        )
        if held_back or not self._state_is_sure(tank, now_s):
            self._from_s = now_s
        if held_back or self.duty_now is None or not tank.cycles.is_known:
            self._high = 0
            return
        if tank.heater_rules.suspicious:
            return  # a fault with a name of its own may be at work: wait for it
        weak = self._weak_share(tank)
        excess = self._excess(tank)
        self.suspicious = weak is not None or excess is not None
        self._high = self._high + 1 if self.suspicious else 0
        if not self.suspicious:
            tank.clear(Condition.HEATER_DUTY_HIGH, now_s)
            self._learn_usual()
        elif self._high >= (_NEEDED if tank.heater_measured else _NEEDED_RECOVERED):
            self._tell(tank, now_s, weak, excess)

    @staticmethod
    def _state_is_sure(tank: "TankWatch", now_s: float) -> bool:
        """Tell whether the heater's times are known: measured, or recovered from a cycle that goes on."""
        if tank.heater_measured:
            return True
        turned_s = tank.cycles.heating_since_s or tank.cycles.idle_since_s
        period_s = tank.cycles.period_s
        if turned_s is None or period_s is None or not tank.cycles.is_known:
            return False
        return now_s - turned_s < 1.2 * period_s and now_s - tank.taken_back_s > 6 * 3600.0

    def duty(self, now_s: float, hours: float) -> float | None:
        """Return the share of the last `hours` in which the heater was on; None when too little is known."""
        time_s, on_s, _ = self._slots.columns
        if len(time_s) < 2 or time_s[-1] - time_s[0] < 0.5 * hours * 3600.0:
            return None
        first = self._slots.first_from(now_s - hours * 3600.0 - 300.0)
        if first == len(time_s):
            first = 0
        span_s = time_s[-1] - time_s[first]
        return None if span_s <= 0 else min(1.0, (on_s[-1] - on_s[first]) / span_s)

    def _expected(self, tank: "TankWatch", water_c: float) -> float | None:
        heating = tank.model.heating_k_per_h
        cooling = tank.model.cooling_k_per_h(water_c, tank.air_now_c(), float(tank.light.is_on))
        if heating is None or cooling is None or len(tank.model.blocks) < _FEWEST_BLOCKS:
            return None
        self._spread = math.hypot(cooling.uncertainty, cooling.value / heating.value * heating.uncertainty)
        self._spread /= heating.value
        return min(1.0, max(0.0, cooling.value / heating.value))

    def _measure(self, tank: "TankWatch") -> None:
        """Measure over whole cycles, so that the place in the cycle does not matter."""
        self.duty_now = self.expected_now = None
        period_s = tank.cycles.period_s
        time_s, on_s, expected = self._slots.columns
        if period_s is None or len(time_s) < 2:
            return
        wanted_s = max(_SHORTEST_S, 3.0 * period_s)
        count = round(wanted_s / max(period_s, 600.0))
        whole_s = max(_SHORTEST_S, count * period_s)
        start_s = time_s[-1] - whole_s
        if max(time_s[0], self._from_s) > start_s + 600.0:
            return
        first = self._slots.first_from(start_s)
        within = len(time_s) - first
        if within < 0.8 * whole_s / 600.0 or time_s[-1] <= time_s[first]:
            return
        self.duty_now = min(1.0, (on_s[-1] - on_s[first]) / (time_s[-1] - time_s[first]))
        known = [share for share in expected[first:] if not math.isnan(share)]
        if len(known) > 0.8 * within:
            self.expected_now = sum(known) / len(known)

    def _weak_share(self, tank: "TankWatch") -> float | None:
        """Return what is left of the heater's power where the newest blocks say that it fell."""
        if not tank.heater_measured:
            return None  # times recovered from the water itself are too rough for that
        newest = [b.heating_k_per_h for b in tank.learning.waiting[-3:] if b.heating_k_per_h is not None]
        heating = tank.model.heating_k_per_h
        if len(newest) < 2 or heating is None or not tank.model.heating_is_measured:
            return None
        share = max(newest) / heating.value
        return share if share < _WEAK else None

    def _excess(self, tank: "TankWatch") -> float | None:
        """Return the expected duty where the measured one is far above it, else None."""
        if self.duty_now is None:
            return None
        if self.expected_now is not None:
            margin = max(_ABOVE, _ABOVE_SHARE * self.expected_now) + 2.0 * self._spread
            if tank.is_active(Condition.HEATER_DUTY_HIGH):
                margin *= _STAYS  # what was told is not taken back for a little less
            far = self.expected_now + margin
            return self.expected_now if self.duty_now > far else None
        if not tank.heater_measured:
            return None
        known = self.usual is not None and self._known_days >= _ROOM_UNKNOWN_DAYS
        if self.usual is None or not known or tank.air_now_c() is not None:
            return None
        # Without the room's temperature a cold room looks the same: the neighbours tell it, or much more
        # is asked.
        if self.room_share is not None:
            expected = min(1.0, self.usual * self.room_share)
            far = expected + max(_ABOVE, _ABOVE_SHARE * expected)
        else:
            expected = max(self._peaks, default=self.usual)
            far = expected + max(_ROOM_UNKNOWN_ABOVE, _ROOM_UNKNOWN_SHARE * expected)
        return expected if self.duty_now > far else None

    def _learn_usual(self) -> None:
        if self.duty_now is None:
            return
        self.usual = (
            self.duty_now if self.usual is None else self.usual + (self.duty_now - self.usual) / 200.0
        )
        self._known_days += 600.0 / 86_400.0
        # The highest duty of each quarter day, for a week: what this room asked for so far.
        self._peak = max(self._peak, self.duty_now)
        self._peak_slots += 1
        if self._peak_slots >= 36:
            self._peaks.append(self._peak)
            self._peak, self._peak_slots = 0.0, 0

    def _tell(self, tank: "TankWatch", now_s: float, weak: float | None, excess: float | None) -> None:
        duty = self.duty_now or 0.0
        if weak is not None:
            text = f"The heater gives {weak:.0%} of the warmth it gave; it is on {duty:.0%} of the time. "
            likely = ["ageing or partly failed element", "scale on the heater", "low mains voltage"]
        else:
            text = f"The heater is on {duty:.0%} of the time; {excess or 0.0:.0%} is expected in this room. "
            likely = ["lid off or ajar", "draught or open window", "leak or evaporation", "ageing element"]
        tank.tell(
            Condition.HEATER_DUTY_HIGH,
            Priority.MEDIUM,
            now_s,
            text + f"Look at: {likely[0]}, {likely[1]}.",
            value=round(duty, 3),
            evidence={
                "duty": round(duty, 3),
                "expected_duty": None if excess is None else round(excess, 3),
                "share_of_power_left": None if weak is None else round(weak, 3),
                "room_measured": tank.air_now_c() is not None,
                "likely": likely,
            },
        )

    def remember(self, shift_s: float) -> dict[str, Any]:
        """Return what was learned, fit for JSON; times as the probe stamps them."""
        return {
            "slots": [
                [time_s - shift_s, on_s, None if math.isnan(expected) else expected]
                for time_s, on_s, expected in self._slots
            ],
            "usual": self.usual,
            "known_days": self._known_days,
            "peaks": list(self._peaks),
        }

    def recall(self, memory: dict[str, Any]) -> None:
        """Take up what `remember` returned earlier."""
        usual = memory.get("usual")
        self.usual = float(usual) if isinstance(usual, int | float) else None
        slots = [slot for slot in memory.get("slots") or [] if len(slot) == 3]
        for time_s, on_s, expected in slots:
            # Heater seconds count up to 0 at the restart, where the tank begins to count anew.
            counted_s = float(on_s) - float(slots[-1][1])
            self._slots.append(float(time_s), counted_s, math.nan if expected is None else float(expected))
        self._known_days = float(memory.get("known_days") or 0.0)
        self._peaks.extend(float(peak) for peak in memory.get("peaks") or [])
