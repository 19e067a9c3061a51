"""A line from the low to the high limit with a dot where the water is: the same for every tank.

On a wall of these a tank that strays is seen before a number is read, and without any colour.
"""

from tankwatch.screen.ink import Line, Run

_BELOW = "◂"
_ABOVE = "▸"


def place(value_c: float, low_c: float, high_c: float, width: int) -> int:
    """Return the cell of a value on a line of `width` cells from `low_c` to `high_c`, held at its ends."""
    return min(width - 1, max(0, round((value_c - low_c) / (high_c - low_c) * (width - 1))))


def gauge(
    value_c: float | None, setpoint_c: float, low_c: float, high_c: float, width: int, role: str = "bright"
) -> Line:
    """Draw the line; without a value it stays empty. A value outside the limits shows as an arrow."""
    cells = ["─"] * width
    cells[0], cells[-1] = "├", "┤"
    cells[place(setpoint_c, low_c, high_c, width)] = "┼"
    if value_c is None:
        return (Run("".join(cells), "faint"),)
    at = place(value_c, low_c, high_c, width)
    sign = _BELOW if value_c < low_c else _ABOVE if value_c > high_c else "●"
    return tuple(
        run
        for run in (
            Run("".join(cells[:at]), "faint"),
            Run(sign, role),
            Run("".join(cells[at + 1 :]), "faint"),
        )
        if run.text
    )
