"""What each role looks like: grey for the normal, colour only for the abnormal (the idea of ISA-101).

Hue is never the only sign: every state also has a word and a shape, and colours differ in lightness. The
tests hold these colours to the contrast ratios of WCAG 2.2 and to a simulation of colour blindness.
"""

from functools import lru_cache

from rich.style import Style
from textual.theme import Theme

PAGE = "#15181b"
BAR = "#23282d"
BAND = "#1d2226"
CHOSEN = "#2d353d"

GROUNDS = {"": PAGE, "bar": BAR, "band": BAND, "chosen": CHOSEN}

INKS = {
    "text": "#b4bcc4",
    "label": "#969fa8",
    "faint": "#79818a",
    "bright": "#eef2f5",
    "critical": "#ff7164",
    "high": "#ffab3d",
    "medium": "#f4e27a",
    "low": "#60a9d0",
    "stale": "#d778f9",
    "service": "#94fdd3",
}
"""Colour of each role; `text`, `label`, `faint` and `bright` are the greys of a quiet room.

`faint` is for lines and marks only: words in it would be hard to read.
"""

_BOLD = frozenset({"bright", "critical", "high"})
_BLOCK = "-block"
"""Ending of a role whose text stands dark on a block of its colour: what nobody has acknowledged yet."""


def block(role: str) -> str:
    """Return the role that shows `role` as a filled block."""
    return role + _BLOCK


@lru_cache(maxsize=512)
def style_of(role: str, ground: str = "") -> Style:
    """Return the terminal style of a role on a ground.

    Raises:
        KeyError: the role or the ground is unknown.
    """
    if role.endswith(_BLOCK):
        return Style(color=PAGE, bgcolor=INKS[role.removesuffix(_BLOCK)], bold=True)
    return Style(color=INKS[role], bgcolor=GROUNDS[ground], bold=role in _BOLD or None)


THEME = Theme(
    name="night-room",
    primary=INKS["low"],
    secondary=INKS["label"],
    accent=INKS["bright"],
    warning=INKS["high"],
    error=INKS["critical"],
    success=INKS["service"],
    foreground=INKS["text"],
    background=PAGE,
    surface=BAR,
    panel=BAND,
    dark=True,
    variables={
        "border-blurred": INKS["faint"],
        "scrollbar": INKS["faint"],
        "scrollbar-background": PAGE,
        "scrollbar-corner-color": PAGE,
        "scrollbar-hover": INKS["label"],
        "scrollbar-active": INKS["bright"],
        "input-cursor-background": INKS["bright"],
        "input-selection-background": CHOSEN,
    },
)
"""The same colours for the few widgets that Textual itself draws."""
