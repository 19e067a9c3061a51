"""Hold shown numbers still while they only tremble, so that a quiet room sends nothing to the terminal."""

STEP_C = 0.1
_MARGIN_C = 0.03


class Steady:
    """Remembers what is shown for each key and changes it only when the value has clearly left it.

    A value that trembles around the border between two tenths would otherwise repaint its tile each
    second. What is shown is never further than 0.08 K from the value.
    """

    def __init__(self) -> None:
        """Start with nothing shown."""
        self._shown: dict[str, float] = {}

    def shown(self, key: str, value_c: float) -> float:
        """Return the tenth to show for `value_c`, °C."""
        old = self._shown.get(key)
        if old is not None and abs(value_c - old) <= STEP_C / 2 + _MARGIN_C:
            return old
        new = round(round(value_c / STEP_C) * STEP_C, 1)
        self._shown[key] = new
        return new
