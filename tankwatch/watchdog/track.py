"""The last hours of one tank, minute by minute: what every judgement looks at.

A minute is a bin of readings: their mean, how long the heater was on in it, how the readings scattered.
For slow probes a bin is as long as two of their intervals. Kept as parallel arrays, newest last, for
about five hours; longer views are kept coarser by those who need them.
"""

from array import array
from bisect import bisect_left

_KEEP = 320
_TRIM = 64


class Track:
    """Minute means of one tank: parallel arrays, all of the same length."""

    __slots__ = ("bin_s", "on_s", "temperature_c", "time_s")

    def __init__(self, bin_s: float) -> None:
        """Start empty, with bins of `bin_s` seconds."""
        self.bin_s = bin_s
        self.time_s: array[float] = array("d")
        """Middle of each bin."""
        self.temperature_c: array[float] = array("d")
        """Mean water temperature."""
        self.on_s: array[float] = array("d")
        """Seconds of heater time up to the end of each bin, counted from the start of the track."""

    def __len__(self) -> int:
        """Return the number of bins kept."""
        return len(self.time_s)

    def add(self, time_s: float, temperature_c: float, on_total_s: float) -> None:
        """Append one bin; forget the oldest when many are kept."""
        self.time_s.append(time_s)
        self.temperature_c.append(temperature_c)
        self.on_s.append(on_total_s)
        if len(self.time_s) >= _KEEP + _TRIM:
            del self.time_s[:_TRIM], self.temperature_c[:_TRIM], self.on_s[:_TRIM]

    def clear(self) -> None:
        """Forget all bins: what came before does not belong to what comes."""
        del self.time_s[:], self.temperature_c[:], self.on_s[:]

    def index_at(self, time_s: float) -> int | None:
        """Return the index of the bin nearest to `time_s`, or None when none lies within 2.5 bins."""
        times = self.time_s
        if not times:
            return None
        guess = len(times) - 1 - round((times[-1] - time_s) / self.bin_s)
        if not (0 <= guess < len(times) and abs(times[guess] - time_s) <= self.bin_s / 2):
            guess = bisect_left(times, time_s)
            if guess == len(times) or (guess > 0 and time_s - times[guess - 1] < times[guess] - time_s):
                guess -= 1
        return guess if abs(times[guess] - time_s) <= 2.5 * self.bin_s else None

    def smooth_c(self, index: int, half: int = 1) -> float:
        """Return the mean temperature of the bins around `index`."""
        part = self.temperature_c[max(0, index - half) : index + half + 1]
        return sum(part) / len(part)

    def newest_c(self, bins: int = 3) -> float:
        """Return the mean temperature of the newest `bins` bins."""
        part = self.temperature_c[-bins:]
        return sum(part) / len(part)

    def is_whole(self, index: int) -> bool:
        """Tell whether no bin is missing from `index` to now, one in ten forgiven."""
        span = (self.time_s[-1] - self.time_s[index]) / self.bin_s
        return (len(self.time_s) - 1 - index) >= 0.9 * span - 1
