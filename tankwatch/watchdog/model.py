"""The fitted thermal model of one tank: `dT/dt = p·h − r`, with `r = k·(T − T_air) − g − l·light`.

All rates are in K/h: `p` is the heater's power over the water's heat capacity, `k` the heat loss over the
same (its inverse is the time constant), `g` small steady gains, `l` the lamp's. Readings of an hour or
two are fitted at a time, as `T = T0 + p·H + c·h − r·t + q·t²` where `H` is the heater time so far: in this
integrated form noise and rounding of a probe hardly matter. `c·h` takes up the lag of element and probe, and
`q` a room that changes meanwhile. The blocks then speak together: `p` is their weighted median, and
`k`, `g` and `l` follow from a least-squares fit of `r` over the differences to the room, held by a prior.
Old blocks fade; a block that a fault or hands in the tank disturbed is never used.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any, NamedTuple

import numpy as np

from tankwatch.physics.thermal import heat_capacity_j_per_k
from tankwatch.snapshot import Estimate

_KEEP_BLOCKS = 60
_HALF_LIFE_H = 72.0
_SYSTEMATIC = 0.03  # lag and mixing leave this much in a heating rate, however long one looks
_SYSTEMATIC_RECOVERED = 0.08  # and more where the heater's times were recovered from the water itself
_AUTOCORRELATION = 3.0  # minute means of one block are not independent: variance is told larger
_EFFICIENCY = 0.95  # of the rated power reaches the water, until it is measured
_EFFICIENCY_SPREAD = 0.12


class Block(NamedTuple):
    """What an hour or two of undisturbed readings say."""

    time_h: float
    heating_k_per_h: float | None
    heating_sigma: float
    cooling_k_per_h: float
    cooling_sigma: float
    water_c: float
    air_c: float | None
    light: float
    """Share of time with the lamp on."""


@dataclass(slots=True)
class _Loss:
    """Fit of the loss over blocks: k, g, l, each with its uncertainty, and their covariance."""

    estimates: tuple[Estimate, Estimate, Estimate]
    values: "np.ndarray[Any, np.dtype[np.float64]]"
    covariance: "np.ndarray[Any, np.dtype[np.float64]]"


def guessed_loss_w_per_k(volume_l: float) -> float:
    """Return a first guess of a tank's heat loss from its volume alone, W/K.

    A box of proportions 2 : 1 : 1 loses about 6 W/(m² K) through glass and a lid (film coefficients of
    natural convection and radiation indoors, an estimate of this project). Wrong by half either way.
    """
    side_m = (volume_l / 1000.0 / 2.0) ** (1.0 / 3.0)
    return 6.0 * 10.0 * float(side_m * side_m)


class ThermalModel:
    """Learns one tank's heating and loss from blocks of readings."""

    __slots__ = (
        "_heating",
        "_loss",
        "_loss_is_fitted",
        "blocks",
        "capacity_j_per_k",
        "guess_k_per_h",
        "heater_measured",
        "rated_w",
    )

    def __init__(self, volume_l: float, heater_w: float | None) -> None:
        """Start from the volume, and the heater's rated power where it is known."""
        self.capacity_j_per_k = heat_capacity_j_per_k(volume_l, 25.0)
        self.rated_w = heater_w
        self.heater_measured = True
        self.guess_k_per_h = guessed_loss_w_per_k(volume_l) * 3600.0 / self.capacity_j_per_k
        self.blocks: list[Block] = []
        self._heating: Estimate | None = None
        self._loss: _Loss | None = None
        self._loss_is_fitted = False

    # --- learning ---

    def learn(self, block: Block) -> None:
        """Take up one undisturbed block."""
        self.blocks.append(block)
        if len(self.blocks) > _KEEP_BLOCKS:
            del self.blocks[0]
        self._fit_anew()

    def forget_since(self, time_h: float) -> None:
        """Drop the blocks after `time_h`: they turned out to hold a fault."""
        kept = [block for block in self.blocks if block.time_h < time_h]
        if len(kept) != len(self.blocks):
            self.blocks = kept
            self._fit_anew()

    def _fit_anew(self) -> None:
        """Let the next who asks find a fit over the blocks as they are now."""
        self._heating = None
        self._loss = None
        self._loss_is_fitted = False

    # --- what it believes ---

    @property
    def heating_k_per_h(self) -> Estimate | None:
        """Rate at which the heater alone warms the water; from the rating until it is measured."""
        if self._heating is None:
            self._heating = self._fit_heating()
        return self._heating

    @property
    def heating_is_measured(self) -> bool:
        """Tell whether the heating rate comes from cycles and not from the rating."""
        return sum(b.heating_k_per_h is not None for b in self.blocks) >= 2

    def _fit_heating(self) -> Estimate | None:
        rated = None
        if self.rated_w is not None:
            full = self.rated_w * 3600.0 / self.capacity_j_per_k
            rated = Estimate(full * _EFFICIENCY, full * _EFFICIENCY_SPREAD)
        found = [b for b in self.blocks if b.heating_k_per_h is not None]
        if len(found) < 2:
            return rated
        newest_h = found[-1].time_h
        values = np.array([b.heating_k_per_h for b in found])
        sigma = np.array([b.heating_sigma for b in found])
        fade = 0.5 ** ((newest_h - np.array([b.time_h for b in found])) / _HALF_LIFE_H)
        weights = fade / (sigma**2 + (_SYSTEMATIC * np.abs(values)) ** 2)
        order = np.argsort(values)
        cumulative = np.cumsum(weights[order])
        centre = float(values[order][np.searchsorted(cumulative, cumulative[-1] / 2)])
        spread = 1.4826 * median(np.abs(values - centre).tolist())  # np.median loads 2 MiB of masked arrays
        effective_n = float(weights.sum() ** 2 / (weights**2).sum())
        formal = math.sqrt(1.0 / float((1.0 / sigma**2).sum()))
        uncertainty = math.hypot(
            1.25 * max(spread, formal) / math.sqrt(max(effective_n, 1.0)),
            (_SYSTEMATIC if self.heater_measured else _SYSTEMATIC_RECOVERED) * centre,
        )
        return Estimate(centre, uncertainty)

    def loss(self) -> tuple[Estimate, Estimate, Estimate] | None:
        """Return k (1/h), g (K/h) and l (K/h), or None where no air temperature was ever known."""
        if not self._loss_is_fitted:  # asked every second, and without an air temperature the answer is None
            self._loss = self._fit_loss()
            self._loss_is_fitted = True
        return None if self._loss is None else self._loss.estimates

    def _fit_loss(self) -> _Loss | None:
        known = [b for b in self.blocks if b.air_c is not None]
        if not known:
            return None
        newest_h = known[-1].time_h
        difference = np.array([b.water_c - (b.air_c or 0.0) for b in known])
        rows = np.column_stack([difference, -np.ones(len(known)), -np.array([b.light for b in known])])
        cooling = np.array([b.cooling_k_per_h for b in known])
        guess = self.guess_k_per_h
        # A block's own error, and what the room's air near another wall may differ by: 0.2 K.
        sigma = np.hypot(np.array([b.cooling_sigma for b in known]), 0.2 * guess)
        fade = 0.5 ** ((newest_h - np.array([b.time_h for b in known])) / _HALF_LIFE_H)
        weights = fade / sigma**2
        prior = np.diag([1.0 / (0.6 * guess) ** 2, 1.0 / (0.4 * guess) ** 2, 1.0 / (0.4 * guess) ** 2])
        normal = rows.T @ (rows * weights[:, None]) + prior
        right = rows.T @ (weights * cooling) + prior @ np.array([guess, 0.0, 0.0])
        values = np.linalg.solve(normal, right)
        residual = cooling - rows @ values
        scale = max(1.0, float((weights * residual**2).sum() / max(weights.sum() * np.mean(sigma**2), 1e-12)))
        values[0] = max(values[0], 0.05 * guess)
        covariance = np.linalg.inv(normal) * scale
        sigma = np.sqrt(np.diag(covariance))
        k, g, lamp = (Estimate(float(v), float(s)) for v, s in zip(values, sigma, strict=True))
        return _Loss((k, g, lamp), values, covariance)

    def cooling_k_per_h(self, water_c: float, air_c: float | None, light: float = 0.0) -> Estimate | None:
        """Return how fast the unheated water would fall now, K/h; None without an air temperature."""
        found = self.loss()
        if found is None or air_c is None or self._loss is None:
            return None
        row = np.array([water_c - air_c, -1.0, -light])
        value = float(row @ self._loss.values)
        return Estimate(value, math.sqrt(float(row @ self._loss.covariance @ row)))

    # --- restart ---

    def remember(self) -> list[list[float | None]]:
        """Return the blocks, fit for JSON."""
        return [list(block) for block in self.blocks]

    def recall(self, memory: list[list[float | None]]) -> None:
        """Take up what `remember` returned earlier; rows of another shape are left out."""
        for row in memory:
            if len(row) == len(Block._fields):
                self.blocks.append(Block(*row))  # type: ignore[arg-type]
        del self.blocks[:-_KEEP_BLOCKS]
        self._fit_anew()


def fit_block(
    time_s: Sequence[float],
    temperature_c: Sequence[float],
    on_s: Sequence[float],
    *,
    air_c: float | None,
    light: float,
) -> Block | None:
    """Fit one block of bins; `on_s` is the heater's time up to the end of each, s.

    Least squares in the integrated form of the module's text. None where too little is in the block: fewer
    than 12 bins, a heater that was always on, or a heating rate that cannot be told from noise.
    """
    n = len(time_s)
    if n < 12:
        return None
    t = (np.array(time_s) - time_s[0]) / 3600.0
    y = np.array(temperature_c)
    on_end = np.array(on_s) / 3600.0
    on_before = np.concatenate([[on_end[0] - (on_end[1] - on_end[0])], on_end[:-1]])
    heater_time = (on_end + on_before) / 2
    width = np.maximum(np.diff(t, prepend=t[0] - (t[1] - t[0])), 1e-6)
    state = np.clip((on_end - on_before) / width, 0.0, 1.0)
    lagged = state.copy()
    for i in range(1, n):
        lagged[i] = 0.5 * lagged[i - 1] + 0.5 * state[i]
    span_h = float(t[-1])
    total_on_h = float(heater_time[-1] - heater_time[0])
    heats = 0.04 * span_h <= total_on_h <= 0.96 * span_h
    centred = t - t.mean()
    columns = [np.ones(n), -centred, centred**2]
    if heats:
        columns += [heater_time - heater_time.mean(), lagged]
    rows = np.column_stack(columns)
    normal = rows.T @ rows
    try:
        inverse = np.linalg.inv(normal + 1e-12 * np.eye(len(columns)))
    except np.linalg.LinAlgError:
        return None
    solution = inverse @ (rows.T @ y)
    residual = y - rows @ solution
    variance = float(residual @ residual) / max(n - len(columns), 1) * _AUTOCORRELATION + 1e-6
    sigma = np.sqrt(np.maximum(np.diag(inverse) * variance, 0.0))
    heating = float(solution[3]) if heats else None
    if heating is not None and (heating <= 0 or sigma[3] > 0.5 * heating):
        return None
    if not heats and total_on_h > 0.04 * span_h:
        return None  # always on: heating and loss cannot be told apart
    return Block(
        time_h=time_s[-1] / 3600.0,
        heating_k_per_h=heating,
        heating_sigma=float(sigma[3]) if heats else 0.0,
        cooling_k_per_h=float(solution[1]),
        cooling_sigma=float(sigma[1]),
        water_c=float(y.mean()),
        air_c=air_c,
        light=light,
    )
