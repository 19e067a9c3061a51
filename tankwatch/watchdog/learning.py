"""Cutting a tank's readings into undisturbed blocks for the thermal model.

A block is at least an hour and holds both heating and cooling where the heater works at all; it ends when
the heater starts, so that it covers whole cycles. New blocks wait some hours before the model takes them
up: when a fault shows in the meantime they are thrown away, and the model still knows the healthy tank.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from tankwatch.watchdog.model import Block, fit_block

if TYPE_CHECKING:
    from tankwatch.watchdog.tank import TankWatch

_SHORTEST_S = 3600.0
_LONGEST_S = 4 * 3600.0
_QUARANTINE_H = 12.0
_EAGER_BLOCKS = 10
_PATIENCE_H = 72.0
_RECOVERED_KEPT = 64


class Learning:
    """The block under way and the blocks that wait."""

    __slots__ = (
        "_air_n",
        "_air_sum",
        "_forgotten_on_s",
        "_light_on_n",
        "_n",
        "_recovered",
        "_start_s",
        "_switches",
        "waiting",
    )

    def __init__(self) -> None:
        """Start with no block under way."""
        self.waiting: list[Block] = []
        """Blocks not yet taken up by the model, oldest first."""
        self._start_s: float | None = None
        self._switches = 0
        self._air_sum = 0.0
        self._air_n = 0
        self._light_on_n = 0
        self._n = 0
        self._recovered: list[tuple[bool, float]] = []
        self._forgotten_on_s = 0.0
        """Heater time of the switches that are no longer kept."""

    def disturb(self, tank: "TankWatch") -> None:
        """Drop the block under way, and let the next one start afresh after the disturbance."""
        self._start_s = None

    def suspect(self) -> None:
        """Drop what waits: a fault is in it."""
        self.waiting.clear()
        self._start_s = None

    def recovered(self, tank: "TankWatch", heating: bool, since_s: float, now_s: float) -> None:
        """Note a switch of the heater that was recovered from the temperature, after the fact."""
        self._recovered.append((heating, since_s))
        while len(self._recovered) > _RECOVERED_KEPT:
            heated, since_s = self._recovered.pop(0)
            if heated:
                self._forgotten_on_s += self._recovered[0][1] - since_s
        self.switched(tank, heating, now_s)

    def take_back(self) -> None:
        """Take back the last recovered start of heating: it was none."""
        if self._recovered and self._recovered[-1][0]:
            self._recovered.pop()
        self._start_s = None

    def recovered_on_s(self, time_s: float) -> float:
        """Return the heater time up to `time_s` as far as recovered switches tell, s."""
        total: float = self._forgotten_on_s
        on_since: float | None = None
        for heating, since_s in self._recovered:
            if since_s > time_s:
                break
            if heating:
                on_since = since_s if on_since is None else on_since
            elif on_since is not None:
                total += since_s - on_since
                on_since = None
        return total + (time_s - on_since if on_since is not None else 0.0)

    def switched(self, tank: "TankWatch", on: bool, now_s: float) -> None:
        """Note a switch of the heater; a block may end here."""
        self._switches += 1
        if on and self._start_s is not None and self._switches >= 3 and now_s - self._start_s >= _SHORTEST_S:
            self._finish(tank, now_s)

    def minute(self, tank: "TankWatch", now_s: float) -> None:
        """Add the newest minute to the block under way, and let waiting blocks mature."""
        disturbed = tank.in_service(now_s) or tank.recovering or tank.probe_rules.mistrusted
        if disturbed or tank.heater_rules.suspicious:
            self._start_s = None
            return
        if self._start_s is None:
            self._begin(now_s)
            return
        self._n += 1
        air_c = tank.air_now_c()
        if air_c is not None:
            self._air_sum += air_c
            self._air_n += 1
        self._light_on_n += tank.light.is_on
        if now_s - self._start_s >= _LONGEST_S:
            self._finish(tank, now_s)
        if self.waiting:
            self._mature(tank, now_s)

    def _begin(self, now_s: float) -> None:
        self._start_s = now_s
        self._switches = self._air_n = self._light_on_n = self._n = 0
        self._air_sum = 0.0

    def _finish(self, tank: "TankWatch", now_s: float) -> None:
        start_s = self._start_s
        self._start_s = None
        track = tank.track
        first = None if start_s is None else track.index_at(start_s)
        if first is None:
            return
        time_s = track.time_s[first:]
        on_s: Sequence[float] = track.on_s[first:]
        if not tank.heater_measured:
            on_s = [self.recovered_on_s(t + track.bin_s / 2) for t in time_s]
        # More than half of the block must come with an air temperature for it to count.
        air_c = self._air_sum / self._air_n if self._air_n * 2 > self._n > 0 else None
        light = self._light_on_n / self._n if self._n else 0.0
        block = fit_block(time_s, track.temperature_c[first:], on_s, air_c=air_c, light=light)
        tank.model.heater_measured = tank.heater_measured
        if block is not None:
            if len(tank.model.blocks) < _EAGER_BLOCKS:
                tank.model.learn(block)
            else:
                self.waiting.append(block)
        self._begin(now_s)

    def _mature(self, tank: "TankWatch", now_s: float) -> None:
        patience_h = _PATIENCE_H if tank.duty_rules.suspicious else _QUARANTINE_H
        while self.waiting and now_s / 3600.0 - self.waiting[0].time_h > patience_h:
            tank.model.learn(self.waiting.pop(0))
