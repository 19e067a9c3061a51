"""The watch over one tank: readings in, minutes made of them, every rule asked once a minute.

The work for one reading is kept small; whatever costs time happens once a minute. Times here are the
tank's own (`Timeline`): they only grow, whatever the probe's clock does.
"""

import math
import zoneinfo
from typing import Any

from tankwatch.alarms.book import AlarmBook
from tankwatch.config import TankConfig
from tankwatch.reading import Channel, Reading, ServiceMark
from tankwatch.watchdog.cycles import Cycles
from tankwatch.watchdog.cycling import CyclingRules
from tankwatch.watchdog.duty import DutyRules
from tankwatch.watchdog.forecast import minutes_to_low
from tankwatch.watchdog.heater import HeaterRules
from tankwatch.watchdog.hold import Hold
from tankwatch.watchdog.learning import Learning
from tankwatch.watchdog.light import LightRules
from tankwatch.watchdog.model import ThermalModel
from tankwatch.watchdog.probe import ProbeRules
from tankwatch.watchdog.temperature import TemperatureRules
from tankwatch.watchdog.track import Track
from tankwatch.watchdog.voice import Voice
from tankwatch.watchdog.warmth import rise_k

SETTLE_S = 600.0
"""After work the water mixes and plugs go back in: heater and probe are not judged meanwhile, s."""
FORGOTTEN_SERVICE_S = 3 * 3600.0
"""Work that was never ended stops holding anything back after this, s."""
_HEATER_POWER_W = 5.0
_COLDEST_AIR_C, _WARMEST_AIR_C = -30.0, 60.0
_LONG_GAP_S = 1800.0
_SLOW_RULES_S = 590.0
_LONGEST_RECOVERY_S = 24 * 3600.0
_NEVER_S = float("-inf")

_TEMPERATURE, _HEATER, _LIGHT = Channel.TEMPERATURE, Channel.HEATER, Channel.LIGHT
_AIR, _POWER, _MAINS, _SERVICE = Channel.AIR, Channel.POWER, Channel.MAINS, Channel.SERVICE
_WATER_OUT = ServiceMark.WATER_OUT
"""Named once: asking an enum for a member is slow, and every reading is asked several times what it is."""


class TankWatch(Voice):
    """Everything the watchdog knows of one tank."""

    def __init__(self, config: TankConfig, zone: zoneinfo.ZoneInfo, book: AlarmBook) -> None:
        """Start with nothing known."""
        super().__init__(config.id, zone, book)
        self.config = config
        self.interval_s = config.probe_interval_s
        self.track = Track(bin_length_s(config.probe_interval_s))
        self.cycles = Cycles()
        self.model = ThermalModel(config.volume_l, config.heater_w)
        self.learning = Learning()
        self.temperature_rules = TemperatureRules()
        self.heater_rules = HeaterRules()
        self.duty_rules = DutyRules()
        self.cycling_rules = CyclingRules()
        self.probe_rules = ProbeRules()
        self.light = LightRules(config, zone)
        self.newest: dict[Channel, tuple[float, float, bool, float]] = {}
        """By channel: value, stamp, retained, room time of arrival."""
        self.heard_s: float | None = None
        """Room time of the last fresh temperature."""
        self.expected_from_s = float("-inf")
        """Room time from which readings are expected, where that is later than the room's start."""
        self.air_c: float | None = None
        self.mains: bool | None = None
        """Whether the mains are there, where a probe on a battery says so."""
        self.mains_s = float("-inf")
        self.room_is_unheated = False
        """No heater of a whole room seems to work now; set by the room."""
        self.room_air_c: float | None = None
        """Air as the neighbours' probes measure it, for a tank that has none of its own."""
        self.heater_on = False
        self.heater_measured = False
        self.heater_s = float("-inf")
        self.heater_hold = Hold()
        self._heater_heard_s = float("-inf")
        self.stopped_early_s = float("-inf")
        """Room time at which the heater last stopped where its thermostat would not have stopped it."""
        self.idle_from_s: float | None = None
        """Start of the idle time before the heating under way."""
        self.on_total_s = 0.0
        self.service: ServiceMark = ServiceMark.END
        self.service_since_s = float("-inf")
        self.settle_until_s = float("-inf")
        self.recovering = False
        """After work: from its end until the water is back where it was."""
        self.power_back_s: float | None = None
        """While recovering from a power loss that was told: when the power came back."""
        self.recovered_s = float("-inf")
        self._last_s = float("-inf")
        self._bin_end_s = float("-inf")
        self._bin_first_s = 0.0
        self._n = 0
        self._sum = 0.0
        self._low = 0.0
        self._high = 0.0
        self._minutes = 0
        self.taken_back_s = float("-inf")
        """Recovered cycles only: when a rise last turned out to be no heating."""
        self._turned_up: tuple[float, float] | None = None
        """Recovered cycles only: time and temperature of the last lower turning point."""
        self._next_slow_s = float("-inf")
        self._exposed_from_s: float | None = None
        self._recovery_ends_s: float | None = None
        self._gaps_known = 0

    # --- readings ---

    def show_retained(self, reading: Reading, room_s: float) -> None:
        """Take a value that a broker had kept: it is shown, and never judged."""
        self.newest[reading.channel] = (reading.value, reading.time_s, True, room_s)

    def take(self, channel: Channel, stamp_s: float, value: float, text: str | None, room_s: float) -> None:
        """Judge one value; `room_s` is the room's time, `text` the word of a service mark."""
        self.newest[channel] = (value, stamp_s, False, room_s)
        if channel is _TEMPERATURE:
            self.temperature(stamp_s, value, room_s)
        elif channel is _HEATER:
            self.heater(stamp_s, value >= 0.5)
        elif channel is _LIGHT:
            self.light.reading(self, stamp_s + self.timeline.shift_s, value >= 0.5)
        elif channel is _AIR:
            if _COLDEST_AIR_C < value < _WARMEST_AIR_C:
                self.air_c = value if self.air_c is None else self.air_c + 0.2 * (value - self.air_c)
        elif channel is _POWER:
            if _HEATER not in self.newest:
                self.heater(stamp_s, value > _HEATER_POWER_W)
        elif channel is _MAINS:
            self.mains, self.mains_s = value >= 0.5, room_s
        elif channel is _SERVICE and text is not None:
            self.mark(stamp_s, ServiceMark(text))

    def temperature(self, stamp_s: float, value_c: float, room_s: float) -> None:
        """Take one water temperature."""
        time_s = self.timeline.accept(stamp_s, self.interval_s)
        if time_s is None:
            return
        self.heard_s = room_s
        if self._exposed_from_s is not None and stamp_s > self._exposed_from_s:
            self._exposed_from_s = None
            if self.heater_on and self.service is _WATER_OUT:
                self.heater_rules.exposed(self, True, time_s)
        gap_s = time_s - self._last_s
        self._last_s = time_s
        if not self.probe_rules.accept(self, time_s, value_c):
            return
        if time_s >= self._bin_end_s:
            if self._n:
                self._close_bin(time_s, gap_s)
            self._bin_first_s = time_s
            self._bin_end_s = time_s + self.track.bin_s - 0.25 * self.interval_s
            self._n, self._sum = 1, value_c
            self._low = self._high = value_c
            return
        self._n += 1
        self._sum += value_c
        if value_c < self._low:
            self._low = value_c
        elif value_c > self._high:
            self._high = value_c

    def heater(self, stamp_s: float, on: bool) -> None:
        """Take one state of the heater."""
        time_s = stamp_s + self.timeline.shift_s
        if time_s < self.heater_s:
            return
        is_first = self._heater_heard_s == _NEVER_S
        self.heater_hold.note(time_s - self._heater_heard_s)
        self._heater_heard_s = time_s
        if not self.heater_measured:
            self.heater_measured = True
            self.cycles.recovered = False
        self._count_heater(time_s)
        if is_first:
            self.heater_on = on
            self.cycles.begin(on, time_s)
        elif on is not self.heater_on:
            self.heater_on = on
            if not len(self.track):
                self.cycles.begin(on, time_s)
            else:
                water_c = self._sum / self._n if self._n else self.track.temperature_c[-1]
                if on:
                    self.idle_from_s = self.cycles.idle_since_s
                else:
                    self._note_early_stop(time_s, water_c)
                self.cycles.switched(on, time_s, water_c, self.on_total_s)
                self.cycling_rules.switched(self, on, time_s)
                self.learning.switched(self, on, time_s)
        if self.service is _WATER_OUT:
            self.heater_rules.exposed(self, on, time_s)

    def _count_heater(self, time_s: float) -> None:
        """Count the heater's time up to `time_s`, as long as its state may be believed."""
        if self.heater_on and time_s - self._heater_heard_s < self.heater_hold.hold_s:
            self.on_total_s += time_s - self.heater_s
        self.heater_s = time_s

    def _note_early_stop(self, time_s: float, water_c: float) -> None:
        """Note that the heater stopped far below where its thermostat stops it."""
        top_c = self.cycles.top_c
        if self.cycles.is_known and top_c is not None and not self.in_service(time_s):
            margin_k = 0.3 * self.cycles.width_k + 2.0 * self.probe_rules.noise_c
            if water_c < top_c - margin_k:
                self.stopped_early_s = self.heard_s or float("-inf")

    def mark(self, stamp_s: float, mark: ServiceMark) -> None:
        """Take a service mark."""
        time_s = max(stamp_s + self.timeline.shift_s, self.service_since_s)
        self.cycles.disturb()
        self.learning.disturb(self)
        if mark is ServiceMark.END:
            if self.service is not ServiceMark.END:
                self.settle_until_s = time_s + SETTLE_S
                self.recovering = True
            self.heater_rules.exposed(self, False, time_s)
        # A heater that was on when the level fell is told with the next reading, if it is on still.
        self._exposed_from_s = stamp_s if mark is ServiceMark.WATER_OUT else None
        self.service = mark
        self.service_since_s = time_s
        self.temperature_rules.forget_swing(time_s)
        self.probe_rules.service_began(self, time_s)

    # --- what the rules ask ---

    def in_service(self, time_s: float) -> bool:
        """Tell whether hands are in the tank, or the water is still settling after that."""
        if self.service is not ServiceMark.END:
            return time_s - self.service_since_s < FORGOTTEN_SERVICE_S
        return time_s < self.settle_until_s

    def air_now_c(self) -> float | None:
        """Return the air beside the tank: measured here, else by the neighbours."""
        return self.air_c if self.air_c is not None else self.room_air_c

    def heating_now(self, time_s: float) -> bool | None:
        """Tell whether the heater is on; None where that is not measured or not fresh."""
        if not self.heater_measured or time_s - self._heater_heard_s > self.heater_hold.hold_s:
            return None
        return self.heater_on

    def cooling_now_k_per_h(self, water_c: float) -> tuple[float, float] | None:
        """Return how fast the unheated water would fall now and the uncertainty, K/h; None while unknown."""
        air_c = self.air_now_c()
        estimate = self.model.cooling_k_per_h(water_c, air_c, float(self.light.is_on))
        if estimate is not None and len(self.model.blocks) >= 3:
            return estimate.value, estimate.uncertainty
        heating = self.model.heating_k_per_h
        if heating is None or self.cycles.duty is None:
            return None
        # Over whole cycles heat and loss balance; further from the cycle's middle more is lost, or less.
        cooling = heating.value * self.cycles.duty
        middle_c = self.config.setpoint_c if self.cycles.centre_c is None else self.cycles.centre_c
        cooling += self.model.guess_k_per_h * (water_c - middle_c)
        return cooling, 0.15 * abs(cooling) + 0.03 * heating.value

    def seems_heated(self) -> bool:
        """Tell whether heat comes now, by the state or, where none is measured, by the rise of the water."""
        if self.heater_measured:
            return self.heater_on
        heating = self.model.heating_k_per_h
        if heating is None or not len(self.track):
            return False
        return rise_k(self, 900.0) > 0.3 * heating.value * 0.25

    def minutes_to_low(self) -> float | None:
        """Return the minutes to the low limit without heat from now on; None when unknown or never."""
        return minutes_to_low(self, self.track.newest_c()) if len(self.track) else None

    # --- minutes ---

    def _close_bin(self, now_s: float, gap_s: float) -> None:
        """Make a minute of the readings gathered and ask every rule; `now_s` is the newest reading's time."""
        last_s = now_s - gap_s
        mean_c = self._sum / self._n
        if self.heater_measured and last_s > self.heater_s:
            self._count_heater(last_s)
        middle_s = (self._bin_first_s + last_s) / 2
        self.track.add(middle_s, mean_c, self.on_total_s)
        self._minutes += 1
        if self._minutes <= 40:
            self._learn_interval(last_s)
        gap = gap_s > max(300.0, 5.0 * self.interval_s)
        if gap:
            self._resume_after_gap(now_s, gap_s)
        self.probe_rules.minute(self, now_s, self._high - self._low, self._n)
        if self.probe_rules.mistrusted:
            self.cycles.disturb()  # what the probe says now is not the water's cycle
        else:
            self._follow_cycle(middle_s, mean_c)
        water_c = self.track.newest_c()
        if self.recovering:
            self._watch_recovery(now_s, water_c)
        self.temperature_rules.minute(self, now_s, water_c)
        if not (gap or self.in_service(now_s) or self.probe_rules.mistrusted):
            self.heater_rules.minute(self, now_s, water_c)
        if self.light.is_measured:
            self.light.minute(self, now_s)
        self.learning.minute(self, now_s)
        if now_s >= self._next_slow_s:
            self._next_slow_s = now_s + _SLOW_RULES_S
            self.temperature_rules.ten_minutes(self, now_s)
            self.duty_rules.ten_minutes(self, now_s, water_c)
            self.cycling_rules.ten_minutes(self, now_s)

    def _resume_after_gap(self, now_s: float, gap_s: float) -> None:
        """Begin anew after a time nobody saw: nothing is known to have gone on as before."""
        self.cycles.lose_sight(now_s)
        self.heater_s = max(self.heater_s, now_s)  # what the heater did in the gap is not counted
        self.learning.disturb(self)
        self.probe_rules.lose_sight()
        self.light.lose_sight(now_s)
        self.settle_until_s = max(self.settle_until_s, now_s + SETTLE_S / 2)
        if gap_s > _LONG_GAP_S:
            self.start_recovery()

    def start_recovery(self, *, from_power_loss: bool = False) -> None:
        """Expect the heater to bring the water back first: after work, a power loss, a long gap."""
        self.recovering = True
        self.power_back_s = math.inf if from_power_loss else None
        self.cycles.disturb()
        self.learning.disturb(self)

    def _learn_interval(self, last_s: float) -> None:
        if self._n > 1:
            seen_s = (last_s - self._bin_first_s) / (self._n - 1)
        elif len(self.track) > 1:
            seen_s = self.track.time_s[-1] - self.track.time_s[-2]
        else:
            return
        if seen_s > 1.5 * self.interval_s or self._minutes == 1:
            self._gaps_known += 1
            if self._gaps_known >= 3 or self._n > 2:
                self.interval_s = seen_s
        bin_s = bin_length_s(self.interval_s)
        if bin_s > self.track.bin_s:
            newest = (self.track.time_s[-1], self.track.temperature_c[-1], self.track.on_s[-1])
            self.track = Track(bin_s)
            self.track.add(*newest)

    def _follow_cycle(self, middle_s: float, mean_c: float) -> None:
        if self.heater_measured:
            self.cycles.follow(middle_s, mean_c)
            return
        self.cycles.recovered = True
        smooth_c = self.track.newest_c()
        turned = self.cycles.recover(middle_s, smooth_c, self.probe_rules.noise_c)
        if turned is None:
            self.cycles.follow(middle_s, smooth_c)
            return
        heating, since_s, extreme_c = turned
        if not heating and not self._rise_was_heating(since_s, extreme_c):
            # The room or the lamp has warmed the water: that was no heating, and no cycle.
            self.learning.take_back()
            self.taken_back_s = since_s
            self.cycles.disturb()
            self.cycles.heating_since_s, self.cycles.idle_since_s = None, since_s
            self._turned_up = None
            return
        self._turned_up = (since_s, extreme_c) if heating else None
        self.learning.recovered(self, heating, since_s, middle_s)
        self.cycles.switched(heating, since_s, smooth_c, self.learning.recovered_on_s(since_s))
        self.cycles.follow(middle_s, smooth_c)

    def _rise_was_heating(self, peak_s: float, peak_c: float) -> bool:
        """Tell whether the rise that ended at a peak was as steep as this heater's, where that is known."""
        if self._turned_up is None or not self.model.heating_is_measured:
            return True
        heating = self.model.heating_k_per_h
        hours = (peak_s - self._turned_up[0]) / 3600.0
        if heating is None or hours <= 0:
            return True
        share = (peak_c - self._turned_up[1]) / hours / heating.value
        return share > 0.35 * (1.0 - min(self.cycles.duty or 0.0, 0.8))

    def _watch_recovery(self, now_s: float, water_c: float) -> None:
        """See whether the water is back where it was before the work; the cycle is then to be trusted."""
        bottom_c = self.cycles.bottom_c
        floor_c = self.config.setpoint_c - 0.5 if bottom_c is None else bottom_c
        if self.service is not ServiceMark.END:
            return
        if self.power_back_s == math.inf:  # the first water seen with power again
            self.power_back_s = now_s
            self.settle_until_s = max(self.settle_until_s, now_s + SETTLE_S)
        if self._recovery_ends_s is None:
            self._recovery_ends_s = now_s + _LONGEST_RECOVERY_S
        if water_c >= floor_c - 0.05 or now_s > self._recovery_ends_s:
            self.recovering = False
            self.power_back_s = None
            self._recovery_ends_s = None
            self.recovered_s = now_s
            self.cycles.disturb()
            self.temperature_rules.forget_swing(now_s)

    # --- restart ---

    def remember(self) -> dict[str, Any]:
        """Return what was learned, fit for JSON."""
        return {
            "cycles": self.cycles.remember(),
            "blocks": self.model.remember(),
            "light": self.light.remember(),
            "duty": self.duty_rules.remember(self.timeline.shift_s),
            "temperature": self.temperature_rules.remember(self.timeline.shift_s),
        }

    def recall(self, memory: dict[str, Any]) -> None:
        """Take up what `remember` returned earlier."""
        self.cycles.recall(memory.get("cycles", {}))
        self.model.recall(memory.get("blocks", []))
        self.light.recall(memory.get("light", {}))
        self.duty_rules.recall(memory.get("duty", {}))
        self.temperature_rules.recall(memory.get("temperature", {}))


def bin_length_s(interval_s: float) -> float:
    """Return the length of a minute for a probe that reads every `interval_s` seconds."""
    if interval_s <= 30.0:
        return 60.0
    return 2.0 * interval_s if interval_s <= 300.0 else interval_s
