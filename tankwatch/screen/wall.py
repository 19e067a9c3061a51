"""The wall of the room: every tank, as large as the room on the terminal allows, worst first.

Three forms, chosen by the space there is: panels with the last 24 hours; rows for what is wrong above
tiles for what is quiet; and tiles that shrink down to one short line a tank for hundreds of them.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from rich.cells import cell_len

from tankwatch.screen import words
from tankwatch.screen.chart.draw import ChartData, draw_trend, strip
from tankwatch.screen.gauge import gauge
from tankwatch.screen.ink import Line, Run, beside, clean, crop, fit, fit_name, length, on_ground, ruled, wrap
from tankwatch.screen.palette import block
from tankwatch.screen.standing import Level, Standing
from tankwatch.screen.steady import Steady
from tankwatch.screen.summary import time_left, what

Direction = Literal["left", "right", "up", "down"]

_PANEL_WIDTH_MIN = 28
_PANEL_HEIGHT_MIN = 7
_PANEL_HEIGHT_MAX = 18
_GAP = 2
_CHIP_WIDTH = 17
_SLIP_WIDTH_MAX = 44
_GAUGE_WIDTH_MIN = 5
_MOST_SPARE_LINES = 2
_TAG_WIDTH = 15
_TAG_WORDS = {"low": "low alarm", "high": "high alarm"}
"""A priority that could be taken for what the water does."""


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a standing is on the wall, in cells."""

    key: str
    x: int
    y: int
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class Wall:
    """The picture and where everything is in it."""

    lines: list[Line]
    spots: list[Spot]


@dataclass(frozen=True, slots=True)
class Showing:
    """What the wall is drawn with, besides the standings."""

    chosen: str = ""
    live: bool = True
    split: bool = True
    """Rows for what is wrong above tiles for the rest; off when sorted by name or place."""
    trends: Mapping[str, ChartData] | None = None
    """The last 24 hours by tank; None where there is no history."""


def lay_out(standings: Sequence[Standing], width: int, height: int, steady: Steady, how: Showing) -> Wall:
    """Draw `standings`, already in order, on `width` × `height` cells; it may grow longer than `height`."""
    if not standings or width < 10:
        return Wall([], [])
    shape = panel_shape(len(standings), width, height)
    if shape is not None and how.trends is not None:
        return _grid(
            standings, width, shape[0], shape[1], lambda s, w, h: _panel(s, w, h, steady, how), how.chosen
        )
    troubled = [s for s in standings if _is_trouble(s, how)] if how.split else []
    rest = [s for s in standings if s not in troubled] if troubled else list(standings)
    tall = 1 if width >= 150 or len(troubled) * 2 > max(height - 4, 0) else 2
    name_width = _name_width(standings, 14 if width < 80 else 22)
    above = tall * len(troubled) + (1 if troubled and rest else 0)
    tiles = _tiles(rest, width, height - above, steady, how.chosen) if rest else Wall([], [])
    # Lines that nothing else needs tell the worst in full: what to do must not end in dots.
    spare = height - above - len(tiles.lines)
    lines: list[Line] = []
    spots: list[Spot] = []
    for standing in troubled:
        row = _trouble(standing, width, tall, name_width, steady, max(0, spare))
        spare -= len(row) - tall
        spots.append(Spot(standing.key, 0, len(lines), width, len(row)))
        lines.extend(_chosen(row, width) if standing.key == how.chosen else row)
    if troubled and rest:
        title = f"{words.how_many(len(rest), 'tank')} {'quiet' if how.live else 'as last known'}"
        lines.append(ruled(title, width))
    spots.extend(Spot(s.key, s.x, s.y + len(lines), s.width, s.height) for s in tiles.spots)
    lines.extend(tiles.lines)
    return Wall(lines, spots)


def panel_shape(count: int, width: int, height: int) -> tuple[int, int] | None:
    """Return (columns, height of a panel) if `count` panels fit, the shape nearest to five to one."""
    best: tuple[float, int, int] | None = None
    for columns in range(1, count + 1):
        panel_width = (width - _GAP * (columns - 1)) // columns
        panel_height = min(height // math.ceil(count / columns), _PANEL_HEIGHT_MAX)
        if panel_width < _PANEL_WIDTH_MIN or panel_height < _PANEL_HEIGHT_MIN:
            continue
        unlike = abs(math.log(panel_width / panel_height / 5))
        if best is None or unlike < best[0]:
            best = (unlike, columns, panel_height)
    return None if best is None else best[1:]


def neighbour(spots: Sequence[Spot], key: str, direction: Direction) -> str:
    """Return the key next to `key` in a direction; `key` itself, or the first, where there is none."""
    index = next((i for i, s in enumerate(spots) if s.key == key), None)
    if index is None:
        return spots[0].key if spots else ""
    here = spots[index]
    if direction in ("left", "right"):
        return spots[min(len(spots) - 1, max(0, index + (1 if direction == "right" else -1)))].key
    if direction == "down":
        beyond = [s for s in spots if s.y >= here.y + here.height]
        row = min((s.y for s in beyond), default=None)
    else:
        beyond = [s for s in spots if s.y + s.height <= here.y]
        row = max((s.y for s in beyond), default=None)
    if row is None:
        return key
    return min((s for s in beyond if s.y == row), key=lambda s: abs(s.x - here.x)).key


def _is_trouble(s: Standing, how: Showing) -> bool:
    return s.level > Level.STALE or (how.live and s.level >= Level.SERVICE) or s.tank is None


def _name_width(standings: Sequence[Standing], most: int) -> int:
    return min(most, max(cell_len(clean(s.name)) for s in standings))


def _shown(standing: Standing, steady: Steady) -> float | None:
    value = standing.temperature
    return None if value is None else steady.shown(standing.key, value.value)


def _temperature(standing: Standing, steady: Steady) -> str:
    shown = _shown(standing, steady)
    if shown is None:
        return "–"
    doubt = "?" if standing.doubtful else ""
    return f"{doubt}{shown:.1f}".replace("-", words.MINUS)


def _number_role(standing: Standing) -> str:
    if standing.doubtful:
        return "stale"
    return "text" if standing.quiet else "bright"


def _line_gauge(standing: Standing, width: int, steady: Steady) -> Line:
    tank = standing.tank
    if tank is None:
        return (Run(" " * width),)
    role = _number_role(standing) if standing.level < Level.LOW else standing.role
    return gauge(_shown(standing, steady), tank.setpoint_c, tank.low_c, tank.high_c, width, role)


def tag(standing: Standing, width: int) -> Line:
    """Return the state as shape and word, filled as a block until someone has acknowledged it."""
    text = f"{standing.shape} {_TAG_WORDS.get(standing.word, standing.word)}"
    loud = standing.level >= Level.LOW and not standing.acknowledged
    role = standing.role
    if loud:
        shown = f" {text} "
        return (Run(shown, block(role)), Run(" " * max(0, width - cell_len(shown))))
    return (Run(fit(" " + text, width), role),)


def _trouble(
    standing: Standing, width: int, tall: int, name_width: int, steady: Steady, spare: int
) -> list[Line]:
    """One thing that is wrong, over the whole width; with up to `spare` more lines if its advice is long."""
    left = time_left(standing)
    number = f"{_temperature(standing, steady)} °C" if standing.tank is not None else ""
    head: list[Run] = [Run(" "), *tag(standing, _TAG_WIDTH)]
    head.append(Run(fit_name(clean(standing.name), name_width) + " ", "bright"))
    head.append(Run(fit(number, 8, "right") + "  ", _number_role(standing)))
    if width >= 74:
        gauge_width = 15 if width < 110 else 23
        head.extend(_line_gauge(standing, gauge_width, steady))
        head.append(Run("  "))
    room = width - length(tuple(head)) - 1
    note = clean(standing.message) or what(standing)
    kind = what(standing)
    if cell_len(left) > room and standing.minutes_left is not None:
        left = f"{words.span(standing.minutes_left)} left"
    both = f"{left}, {kind}" if left and cell_len(left) + cell_len(kind) + 2 <= room else left
    if tall == 2:
        line = (*head, Run(fit(left or kind, room), standing.role if left else "text"))
        indent = _TAG_WIDTH + 1
        rows = wrap(note, width - indent - 1, 1 + min(spare, _MOST_SPARE_LINES))
        return [crop(line, width), *(crop((Run(" " * indent), Run(row, "text")), width) for row in rows)]
    left_width = 26 if width >= 150 else 0
    if left_width:
        head.append(Run(fit(left, left_width), standing.role))
        head.append(Run(fit(note, room - left_width), "text"))
    else:
        head.append(Run(fit(both or kind, room), standing.role if left else "text"))
    return [crop(tuple(head), width)]


def _panel(standing: Standing, width: int, height: int, steady: Steady, how: Showing) -> list[Line]:
    """One tank with its last 24 hours."""
    number = f"{_temperature(standing, steady)} °C" if standing.tank is not None else ""
    name = fit_name(clean(standing.name), width - len(number) - 2)
    head: Line = (
        Run(" " + name, "text" if standing.quiet else "bright"),
        Run(" " + number, _number_role(standing)),
    )
    lines = [head, crop(_panel_note(standing, width), width)]
    rows = height - len(lines) - 2
    trend = (how.trends or {}).get(standing.key)
    if standing.tank is None:
        text = clean(standing.message)
        lines.append((Run(" " + fit(text, width - 1), "text"),))
        lines.extend([()] * (rows + 1))
    elif trend is None or trend.empty:
        lines.append((Run(fit(" no history yet", width), "label", "band"),))
        lines.extend([(Run(" " * width, "text", "band"),)] * rows)
    else:
        lines.extend(draw_trend(trend, width, rows))
        lines.append(strip(trend.heater, trend, width))
    lines.append(())
    return lines


def _panel_note(standing: Standing, width: int) -> Line:
    tank = standing.tank
    if not standing.quiet:
        head = tag(standing, len(_TAG_WORDS.get(standing.word, standing.word)) + 4)
        left = time_left(standing)
        room = width - length(head) - 1
        text = what(standing)
        if left and len(text) + len(left) + 2 <= room:
            text = f"{text}, {left}"
        elif left:
            text = left
        return (*head, Run(" " + fit(text, room), "bright"))
    if tank is None:
        return ()
    parts = []
    if tank.duty_24h is not None:
        parts.append(f"heater {words.percent(tank.duty_24h)}")
    if tank.light_hours_today is not None:
        parts.append(f"light {tank.light_hours_today:.0f} h")
    if tank.swing_24h_c is not None:
        parts.append(f"swing {tank.swing_24h_c:.1f}")
    return (Run(" " + " · ".join(parts), "label"),)


def _tiles(standings: Sequence[Standing], width: int, height: int, steady: Steady, chosen: str) -> Wall:
    """Draw tiles of three lines where all fit, else one line a tank in as many columns as are needed."""
    names = _name_width(standings, 18)
    slip_width = max(names + 9, 24)
    columns = max(1, (width + _GAP) // (slip_width + _GAP))
    if math.ceil(len(standings) / columns) * 3 <= height:
        # Only as many columns as the height asks for: wider tiles, longer lines.
        while columns > 1 and math.ceil(len(standings) / (columns - 1)) * 3 <= height:
            columns -= 1
        most = max(slip_width, _SLIP_WIDTH_MAX)
        return _grid(standings, width, columns, 3, lambda s, w, h: _slip(s, w, steady), chosen, most)
    most_columns = max(1, (width + _GAP) // (_CHIP_WIDTH + _GAP))
    columns = min(most_columns, max(1, math.ceil(len(standings) / max(height, 1))))
    tile_width = (width - _GAP * (columns - 1)) // columns
    room = tile_width - 8
    name_width = min(names, room)
    by_id = name_width < min(names, 8)
    most = max(_CHIP_WIDTH, name_width + 8 + 25)
    return _grid(
        standings, width, columns, 1, lambda s, w, h: _tile(s, w, name_width, by_id, steady), chosen, most
    )


def _slip(s: Standing, width: int, steady: Steady) -> list[Line]:
    number = _temperature(s, steady)
    name_width = width - len(number) - 3
    return [
        (
            Run(s.shape + " ", s.role),
            Run(fit_name(clean(s.name), name_width) + " ", "text" if s.quiet else "bright"),
            Run(number, _number_role(s)),
        ),
        (Run("  "), *_line_gauge(s, width - 2, steady)),
        (),
    ]


def _tile(s: Standing, width: int, names: int, by_id: bool, steady: Steady) -> list[Line]:
    """Shape, name and number, and the gauge where it has room; else a hint when the water is near a limit."""
    name = s.key if by_id and s.tank is not None else clean(s.name)
    runs = [
        Run(s.shape + " ", s.role),
        Run(fit_name(name, names) + " ", "text" if s.quiet else "bright"),
        Run(fit(_temperature(s, steady), 5, "right"), _number_role(s)),
    ]
    room = width - names - 9
    if room >= _GAUGE_WIDTH_MIN:
        runs.extend([Run(" "), *_line_gauge(s, min(room, 25), steady)])
    elif room >= 1:
        runs.append(Run(_leaning(s, steady), "bright"))
    return [tuple(runs)]


def _leaning(s: Standing, steady: Steady) -> str:
    """Return an arrow when the water is in the outer fifth of its band."""
    shown = _shown(s, steady)
    if shown is None or s.tank is None:
        return " "
    share = (shown - s.tank.low_c) / (s.tank.high_c - s.tank.low_c)
    return "▾" if share < 0.2 else "▴" if share > 0.8 else " "


def _grid(
    standings: Sequence[Standing],
    width: int,
    columns: int,
    height: int,
    draw: Callable[[Standing, int, int], list[Line]],
    chosen: str,
    most_width: int = 999,
) -> Wall:
    """Put equal tiles in rows of `columns`, each `height` lines tall."""
    tile_width = min((width - _GAP * (columns - 1)) // columns, most_width)
    lines: list[Line] = []
    spots: list[Spot] = []
    for start in range(0, len(standings), columns):
        blocks = []
        for i, standing in enumerate(standings[start : start + columns]):
            spots.append(Spot(standing.key, i * (tile_width + _GAP), len(lines), tile_width, height))
            tile = draw(standing, tile_width, height)
            blocks.append(_chosen(tile, tile_width) if standing.key == chosen else tile)
        lines.extend(beside(blocks, [tile_width] * len(blocks), _GAP))
    return Wall(lines, spots)


def _chosen(tile: list[Line], width: int) -> list[Line]:
    """Show that a tile is chosen: another ground, and `›` for eyes or terminals without colour."""
    out = [on_ground(crop(line, width), "chosen") if line else line for line in tile]
    if out and out[0]:
        first, *rest = out[0]
        at = first.text.find(" ", 0, 2)  # before the shape, or behind it
        if at >= 0:
            parts = (first._replace(text=first.text[:at]), Run("›", "bright", "chosen"))
            after = first._replace(text=first.text[at + 1 :])
            out[0] = tuple(run for run in (*parts, after, *rest) if run.text)
    return out
