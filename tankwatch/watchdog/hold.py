"""How long a state that was heard once is believed.

Some probes send the heater's state with every reading, others only when it changes. The first kind has gone
silent when nothing comes for a quarter of an hour; the second has only nothing new to say.
"""

PERIODIC_HOLD_S = 900.0
ON_CHANGE_HOLD_S = 24 * 3600.0
_SHORT_S = 300.0
_ENOUGH = 20


class Hold:
    """Learns from the pauses between readings which kind a channel is."""

    __slots__ = ("_long", "_short")

    def __init__(self) -> None:
        """Start without a verdict: a state is believed for long."""
        self._short = 0
        self._long = 0

    def note(self, pause_s: float) -> None:
        """Take the time between two readings of the channel."""
        if pause_s <= _SHORT_S:
            self._short += 1
        else:
            self._long += 1

    @property
    def hold_s(self) -> float:
        """Seconds for which the state is believed after it was last heard."""
        periodic = self._short >= _ENOUGH and self._short > 10 * self._long
        return PERIODIC_HOLD_S if periodic else ON_CHANGE_HOLD_S
