"""A field of dots in braille characters: two dots wide and four high in every cell (Unicode 6.0, U+2800)."""

_BITS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
"""Bit of a dot by its row from the top and its column, as Unicode numbers the dots 1-8."""
_BLANK = 0x2800


class Dots:
    """Dots of `width` × `height` cells; (0, 0) is the upper left dot."""

    def __init__(self, width: int, height: int) -> None:
        """Start empty."""
        self.width = width
        self.height = height
        self._cells = [[0] * width for _ in range(height)]

    def set(self, x: int, y: int) -> None:
        """Set one dot; outside the field nothing happens."""
        if 0 <= x < 2 * self.width and 0 <= y < 4 * self.height:
            self._cells[y // 4][x // 2] |= _BITS[y % 4][x % 2]

    def column(self, x: int, top: int, bottom: int) -> None:
        """Set the dots of column `x` from `top` to `bottom`, both included, in any order."""
        first, last = min(top, bottom), max(top, bottom)
        for y in range(max(first, 0), min(last, 4 * self.height - 1) + 1):
            self.set(x, y)

    def at(self, x: int, y: int) -> str:
        """Return the character of a cell, a blank for an empty one."""
        bits = self._cells[y][x]
        return chr(_BLANK + bits) if bits else " "

    def rows(self) -> list[str]:
        """Return the field as text, one row of cells a line."""
        return ["".join(self.at(x, y) for x in range(self.width)) for y in range(self.height)]
