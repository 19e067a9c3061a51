"""Calibration of a temperature probe: at the ice point, or against a reference thermometer.

The corrected temperature is `scale · reading + offset_c`. Uncertainties are standard ones (one sigma),
carried through by the law of propagation for independent inputs (JCGM 100:2008, section 5.1.2).

In words, as a line of the care log: ``ice=0.31`` (what the probe shows in ice water), ``20.0=20.4 30.0=30.5``
(reference = probe), and ``reference=0.1`` for the standard uncertainty of the reference, K.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tankwatch.errors import UsageError

KIND = "calibration"
"""Kind of a log entry that is a calibration."""
ICE_POINT_C = 0.0
"""Water and ice in equilibrium at 101 325 Pa, saturated with air (ASTM E563)."""
ICE_POINT_UNCERTAINTY_K = 0.05
"""Of an ice bath made with care from clean water; a carefully kept one is far better (ASTM E563)."""
REFERENCE_UNCERTAINTY_K = 0.2
"""Of a household reference thermometer, where nothing is said. Common practice, no published source."""
READING_UNCERTAINTY_K = 0.03
"""Of the shown value: half a step of 1/16 K, evenly distributed, and a little noise."""
LEAST_APART_K = 5.0
"""Two points nearer than this say nothing of the scale. Common practice, no published source."""
_MOST_OFF_K = 10.0
SCALE_RANGE = (0.9, 1.1)
"""A probe whose scale is further off is broken, or sends another unit."""
_COVERAGE = 2.0  # about 95 % (JCGM 100:2008, section 6.3.3)
_YEAR_S = 365.25 * 86_400.0


@dataclass(frozen=True, slots=True)
class Point:
    """One comparison: the true temperature and what the probe showed, °C; standard uncertainties, K."""

    reference_c: float
    reading_c: float
    reference_u_k: float = REFERENCE_UNCERTAINTY_K
    reading_u_k: float = READING_UNCERTAINTY_K


@dataclass(frozen=True, slots=True)
class Calibration:
    """A calibration made at `time_s`, seconds since 1970 UTC."""

    time_s: float
    points: tuple[Point, ...]

    @property
    def scale(self) -> float:
        """Factor on the reading; 1 with a single point, which says nothing of it."""
        if len(self.points) == 1:
            return 1.0
        low, high = self.points
        return (high.reference_c - low.reference_c) / (high.reading_c - low.reading_c)

    @property
    def offset_c(self) -> float:
        """What is added after scaling, K."""
        return self.points[0].reference_c - self.scale * self.points[0].reading_c

    @property
    def scale_u(self) -> float | None:
        """Standard uncertainty of the scale; None with a single point."""
        if len(self.points) == 1:
            return None
        low, high = self.points
        return math.hypot(self._point_u_k(low), self._point_u_k(high)) / abs(high.reading_c - low.reading_c)

    def corrected_c(self, reading_c: float) -> float:
        """Return the corrected temperature for a reading, °C."""
        return self.scale * reading_c + self.offset_c

    def uncertainty_k(self, reading_c: float) -> float:
        """Return the standard uncertainty of the correction at a reading, K.

        With two points it is smallest between them. With one it holds near that point only.
        """
        if len(self.points) == 1:
            return self._point_u_k(self.points[0])
        low, high = self.points
        weight = (reading_c - low.reading_c) / (high.reading_c - low.reading_c)
        return math.hypot((1.0 - weight) * self._point_u_k(low), weight * self._point_u_k(high))

    def _point_u_k(self, point: Point) -> float:
        return math.hypot(point.reference_u_k, self.scale * point.reading_u_k)

    def after(self, scale: float, offset_c: float) -> tuple[float, float]:
        """Return the scale and offset that replace those under which the readings were shown."""
        return self.scale * scale, self.scale * offset_c + self.offset_c


@dataclass(frozen=True, slots=True)
class Drift:
    """How the correction at one temperature has changed since an earlier calibration."""

    change_k: float
    uncertainty_k: float
    """Standard uncertainty of the change, K."""
    days: float

    @property
    def is_real(self) -> bool:
        """Whether the change is more than the uncertainties explain, at about 95 %."""
        return abs(self.change_k) > _COVERAGE * self.uncertainty_k

    @property
    def k_per_year(self) -> float | None:
        """Pace of the change; None over less than a month, where it means nothing."""
        return None if self.days < 30.0 else self.change_k * _YEAR_S / (self.days * 86_400.0)


def drift(earlier: Calibration, newer: Calibration, reading_c: float) -> Drift:
    """Return how the corrected temperature at `reading_c` has changed; both of one probe, uncorrected."""
    return Drift(
        newer.corrected_c(reading_c) - earlier.corrected_c(reading_c),
        math.hypot(newer.uncertainty_k(reading_c), earlier.uncertainty_k(reading_c)),
        (newer.time_s - earlier.time_s) / 86_400.0,
    )


def parse(words: Sequence[str], time_s: float) -> Calibration:
    """Read a calibration from the words of a log line.

    Raises:
        UsageError: a word that is none, no point or more than two, points too near each other, or a probe so
            far off that it is broken and not to be calibrated.
    """
    reference_u_k: float | None = None
    pairs: list[tuple[float, float, bool]] = []
    for word in words:
        name, _, value = word.partition("=")
        if name == "reference":
            reference_u_k = _number(word, value)
            if not 0.0 < reference_u_k <= 2.0:
                raise UsageError(f"{word!r}: expected a standard uncertainty above 0 and at most 2 K")
        elif name == "ice":
            pairs.append((ICE_POINT_C, _number(word, value), True))
        else:
            pairs.append((_number(word, name), _number(word, value), False))
    points = tuple(
        Point(c, shown_c, ICE_POINT_UNCERTAINTY_K if ice else reference_u_k or REFERENCE_UNCERTAINTY_K)
        for c, shown_c, ice in sorted(pairs)
    )
    _check(points)
    return Calibration(time_s, points)


def _check(points: tuple[Point, ...]) -> None:
    if not 1 <= len(points) <= 2:
        raise UsageError(
            f"expected one or two points, got {len(points)}; such as ice=0.31, or 20.0=20.4 30.0=30.5 "
            "(reference = probe)"
        )
    for point in points:
        if abs(point.reference_c - point.reading_c) > _MOST_OFF_K:
            raise UsageError(
                f"the probe shows {point.reading_c:g} °C at {point.reference_c:g} °C: so far off it is "
                "broken, or the numbers are the wrong way round (reference = probe)"
            )
    if len(points) == 2:
        low, high = points
        if high.reference_c - low.reference_c < LEAST_APART_K or high.reading_c <= low.reading_c:
            raise UsageError(
                f"points at {low.reference_c:g} and {high.reference_c:g} °C say nothing of the scale: take "
                f"them at least {LEAST_APART_K:g} K apart, or one alone"
            )
        scale = Calibration(0.0, points).scale
        if not SCALE_RANGE[0] <= scale <= SCALE_RANGE[1]:
            raise UsageError(
                f"a scale of {scale:.3f} is no calibration but a fault of the probe or of a number"
            )


def _number(word: str, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not -50.0 <= value <= 120.0:
        raise UsageError(
            f"{word!r}: expected ice=SHOWN, REFERENCE=SHOWN in °C, or reference=UNCERTAINTY in K"
        )
    return value


def text_of(calibration: Calibration) -> str:
    """Return a calibration as words of a log line; `parse` reads the same back."""
    words = []
    reference_u_k = None
    for point in calibration.points:
        is_ice = point.reference_c == ICE_POINT_C and point.reference_u_k == ICE_POINT_UNCERTAINTY_K
        words.append(f"{'ice' if is_ice else repr(point.reference_c)}={point.reading_c!r}")
        if not is_ice:
            reference_u_k = point.reference_u_k
    if reference_u_k is not None:
        words.append(f"reference={reference_u_k!r}")
    return " ".join(words)
