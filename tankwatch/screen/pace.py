"""How often readings may repaint over the link that the screen is seen through; keys are never held back."""

import os
from collections.abc import Hashable

SLOW_EVERY_S = 5.0
REMOTE_EVERY_S = 1.0


def is_remote() -> bool:
    """Return whether the terminal is at the far end of an SSH connection (ssh(1), ENVIRONMENT)."""
    return any(os.environ.get(name) for name in ("SSH_CONNECTION", "SSH_TTY"))


class Pace:
    """Says when the next repaint is due: local at once, over SSH after a second, on a slow link five.

    What a keeper must know (`state`: which alarms stand, say) waits no longer than over SSH.
    """

    def __init__(self, *, slow: bool, remote: bool) -> None:
        """Nothing was painted yet."""
        self._state_every_s = REMOTE_EVERY_S if slow or remote else 0.0
        self._every_s = SLOW_EVERY_S if slow else self._state_every_s
        self.forget()

    def forget(self) -> None:
        """Forget what was painted: the next repaint is due at once."""
        self._painted_s = float("-inf")
        self._state: Hashable = None

    def due_in_s(self, now_s: float, state: Hashable) -> float:
        """Return the seconds until a repaint that shows `state` is due; 0 if it is due now (monotonic s)."""
        every_s = self._every_s if state == self._state else self._state_every_s
        return max(0.0, self._painted_s + every_s - now_s)

    def painted(self, now_s: float, state: Hashable) -> None:
        """Note that `state` was painted."""
        self._painted_s, self._state = now_s, state
