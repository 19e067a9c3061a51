"""The heating cycle of one tank: where the thermostat switches, how often, for how long.

Where the heater's state is measured the cycle is read from it; otherwise it is recovered from the
temperature alone, as the turning points of a curve that climbs while heated and falls while not.
"""

from itertools import pairwise
from statistics import median

_REMEMBERED = 12
_BASELINE_CYCLES = 6
_BASELINE_SPAN_S = 10 * 3600.0
_BASELINE_MEMORY_CYCLES = 600.0
_DEFAULT_TURN_K = 0.12
_OVERSHOOT_S = 2700.0
_LONGEST_RECOVERED_S = 36_000.0  # longer swings are days and tides, as far as the water alone can tell
_SHORT_SHARE = 0.25
_SHORT_RUN_TO_BELIEVE = 400


class Cycles:
    """Turning points of the water and times of the heater, learned from clean cycles.

    A cycle is clean when no service, gap or fault fell into it; only clean cycles are learned from.
    """

    __slots__ = (
        "_first_s",
        "_highest",
        "_is_regular",
        "_lowest",
        "_on_at_start_s",
        "_rising",
        "_saw_off",
        "_saw_on",
        "_short_run",
        "_usual",
        "baseline_c",
        "bottom_c",
        "centre_c",
        "duties",
        "duty",
        "heating_since_s",
        "idle_since_s",
        "peaks",
        "period_s",
        "periods",
        "recovered",
        "seen",
        "started_s",
        "top_c",
        "troughs",
        "turn",
    )

    def __init__(self) -> None:
        """Start with nothing learned."""
        self.recovered = False
        """The cycle was recovered from the temperature alone."""
        self._is_regular = False
        self.peaks: list[float] = []
        self.troughs: list[float] = []
        self.periods: list[float] = []
        self.duties: list[float] = []
        self.seen = 0
        """Clean cycles learned from."""
        self.top_c: float | None = None
        """Usual highest temperature of a cycle, just after switching off."""
        self.bottom_c: float | None = None
        """Usual lowest temperature of a cycle, just after switching on."""
        self.centre_c: float | None = None
        """Middle of the newest cycles."""
        self.baseline_c: float | None = None
        """Middle of the cycles when the tank was first known; follows over months only."""
        self.period_s: float | None = None
        self.duty: float | None = None
        """Share of heater time in the newest cycles, 0..1."""
        self.heating_since_s: float | None = None
        self.idle_since_s: float | None = None
        self.started_s: float | None = None
        """Start of the cycle under way."""
        self.turn: tuple[float, float] | None = None
        """Recovered cycles only: time and temperature of the extreme being followed."""
        self._highest = float("-inf")
        self._lowest = float("inf")
        self._on_at_start_s = 0.0
        self._saw_on = False
        self._saw_off = False
        self._short_run = 0
        self._usual = True
        self._first_s: float | None = None
        self._rising: bool | None = None

    @property
    def is_known(self) -> bool:
        """Tell whether enough turns were seen to know what is usual."""
        if not self.recovered:
            return len(self.peaks) >= 2 and len(self.troughs) >= 2
        return len(self.peaks) >= 4 and len(self.troughs) >= 4 and self._is_regular

    @property
    def width_k(self) -> float:
        """Usual height of a cycle, K; 0.5 until it is known."""
        if self.top_c is None or self.bottom_c is None:
            return 0.5
        return self.top_c - self.bottom_c

    def disturb(self) -> None:
        """Leave out the turn and the cycle under way: something else than the thermostat acted."""
        self._saw_on = self._saw_off = False
        self.started_s = None

    def begin(self, on: bool, time_s: float) -> None:
        """Take the first state of the heater: it has been so since `time_s` as far as known."""
        self.heating_since_s = time_s if on else None
        self.idle_since_s = None if on else time_s

    def accept_top(self, temperature_c: float) -> None:
        """Take a top that was seen outside a clean cycle: the heater stopped there by itself."""
        _push(self.peaks, temperature_c)
        self.top_c = median(self.peaks)

    def lose_sight(self, time_s: float) -> None:
        """Leave out a time nobody saw: what the heater does now, it does since `time_s` as far as known."""
        self.disturb()
        self.turn = None
        if self.heating_since_s is not None:
            self.heating_since_s = time_s
        if self.idle_since_s is not None:
            self.idle_since_s = time_s

    def follow(self, time_s: float, temperature_c: float) -> None:
        """Note one minute's temperature, for the extremes of the cycle under way.

        Only what follows soon after a switch belongs to it: later a warm or cold room has its say.
        """
        if temperature_c > self._highest and _passed_s(self.idle_since_s, time_s) < _OVERSHOOT_S:
            self._highest = temperature_c
        if temperature_c < self._lowest and _passed_s(self.heating_since_s, time_s) < _OVERSHOOT_S:
            self._lowest = temperature_c

    def switched(self, on: bool, time_s: float, temperature_c: float, on_total_s: float) -> None:
        """Note that the heater switched at `time_s`; `on_total_s` counts its time so far."""
        if on:
            self._usual = self._is_usual_length(time_s)
            if self._saw_off and self._usual:
                _push(self.peaks, self._highest)
                self.top_c = median(self.peaks)
            if self._usual and self.started_s is not None:
                self._learn_cycle(time_s, on_total_s)
            self._saw_on = True
            self.heating_since_s, self.idle_since_s = time_s, None
            self.started_s, self._on_at_start_s = time_s, on_total_s
            self._highest = temperature_c
        else:
            if self._saw_on and self._usual:
                _push(self.troughs, self._lowest)
                self.bottom_c = median(self.troughs)
            self._saw_off = True
            self.heating_since_s, self.idle_since_s = None, time_s
            self._lowest = temperature_c

    def _is_usual_length(self, time_s: float) -> bool:
        """Tell whether this is no flutter: a cycle far shorter than usual teaches nothing."""
        if self.started_s is None or self.period_s is None:
            return True
        if time_s - self.started_s >= _SHORT_SHARE * self.period_s:
            self._short_run = 0
            return True
        self._short_run += 1
        if self._short_run > _SHORT_RUN_TO_BELIEVE:  # not a fault that passes: this is how it cycles now
            self.period_s = None
            self.periods.clear()
            return True
        return False

    def _learn_cycle(self, time_s: float, on_total_s: float) -> None:
        period_s = _passed_s(self.started_s, time_s)
        if period_s <= 0.0:
            return  # switched off and on again within one stamp
        _push(self.periods, period_s)
        _push(self.duties, (on_total_s - self._on_at_start_s) / period_s)
        self.seen += 1
        if self.recovered:
            self._is_regular = self._looks_like_a_thermostat()
        self.period_s = median(self.periods)
        newest = self.duties[-2:]
        self.duty = sum(newest) / len(newest)
        if not self.is_known:
            return
        self.centre_c = (median(self.peaks[-3:]) + median(self.troughs[-3:])) / 2
        if self._first_s is None:
            self._first_s = time_s
        if self.baseline_c is not None:
            self.baseline_c += (self.centre_c - self.baseline_c) / _BASELINE_MEMORY_CYCLES
        elif self.seen >= _BASELINE_CYCLES and time_s - self._first_s >= _BASELINE_SPAN_S:
            self.baseline_c = self.centre_c

    def _looks_like_a_thermostat(self) -> bool:
        """Tell whether the turns lie where a thermostat would put them: always at the same temperatures.

        Tides, sunshine and a heated room make the water rise and fall as well, but not between two lines.
        """
        if len(self.peaks) < 4 or len(self.troughs) < 4:
            return False
        # From one turn to the next, so that a thermostat that creeps is still known as one.
        most_k = 0.3 * self.width_k + 0.05
        periods = self.periods[-6:]
        return (
            _largest_step(self.peaks[-6:]) < most_k
            and _largest_step(self.troughs[-6:]) < most_k
            and max(periods) < 5.0 * min(periods)
            and median(periods) < _LONGEST_RECOVERED_S
        )

    def recover(
        self, time_s: float, temperature_c: float, noise_c: float
    ) -> tuple[bool, float, float] | None:
        """Follow the temperature alone; return (heating, since, from °C) when a turning point is confirmed.

        A turn is believed when the water has come back from its extreme by four tenths of the usual
        cycle, and by more than the noise.
        """
        turn_k = max(_DEFAULT_TURN_K, 4.0 * noise_c, 0.4 * self.width_k if self.is_known else 0.0)
        if self.turn is None:
            self.turn = (time_s, temperature_c)
            return None
        extreme_s, extreme_c = self.turn
        if self._rising is None:
            if abs(temperature_c - extreme_c) >= turn_k:
                self._rising = temperature_c > extreme_c
                self.turn = (time_s, temperature_c)
            return None
        beyond = temperature_c >= extreme_c if self._rising else temperature_c <= extreme_c
        if beyond:
            self.turn = (time_s, temperature_c)
            return None
        if abs(temperature_c - extreme_c) < turn_k:
            return None
        self._rising = not self._rising
        self.turn = (time_s, temperature_c)
        return self._rising, extreme_s, extreme_c

    def remember(self) -> dict[str, object]:
        """Return what was learned, fit for JSON."""
        return {
            "peaks": self.peaks,
            "troughs": self.troughs,
            "periods": self.periods,
            "duties": self.duties,
            "seen": self.seen,
            "recovered": self.recovered,
            "baseline_c": self.baseline_c,
        }

    def recall(self, memory: dict[str, list[float] | float | None]) -> None:
        """Take up what `remember` returned earlier."""
        for name in ("peaks", "troughs", "periods", "duties"):
            values = memory.get(name)
            if isinstance(values, list):
                setattr(self, name, [float(v) for v in values][-_REMEMBERED:])
        seen, baseline = memory.get("seen"), memory.get("baseline_c")
        self.seen = int(seen) if isinstance(seen, int | float) else 0
        self.baseline_c = float(baseline) if isinstance(baseline, int | float) else None
        self.recovered = bool(memory.get("recovered"))
        self._is_regular = self.recovered and bool(self.periods) and self._looks_like_a_thermostat()
        if self.peaks and self.troughs:
            self.top_c, self.bottom_c = median(self.peaks), median(self.troughs)
            self.centre_c = (median(self.peaks[-3:]) + median(self.troughs[-3:])) / 2
        if self.periods:
            self.period_s = median(self.periods)
            self.duty = sum(self.duties[-2:]) / len(self.duties[-2:])


def _largest_step(values: list[float]) -> float:
    return max(abs(b - a) for a, b in pairwise(values))


def _passed_s(since_s: float | None, time_s: float) -> float:
    return 0.0 if since_s is None else time_s - since_s


def _push(values: list[float], value: float) -> None:
    values.append(value)
    if len(values) > _REMEMBERED:
        del values[0]
