"""The page of all rooms in lines: a row for each, worst first, and what is wrong in the chosen one."""

from collections.abc import Sequence

from tankwatch.rooms.heard import Word
from tankwatch.rooms.hub import Refusals
from tankwatch.screen import words
from tankwatch.screen.ink import Line, Run, crop, fit, on_ground, ruled, wrap
from tankwatch.screen.palette import block
from tankwatch.screen.rooms.standing import NOT_HEARD, WORDS, RoomStanding, sentence_of_rooms, trouble_of
from tankwatch.screen.standing import Level, ordered
from tankwatch.screen.steady import Steady
from tankwatch.screen.wall import Showing, lay_out

_WIDE = 100
_FRESH_S = 120.0
"""Statuses are renewed once a minute: an age that goes to and fro around that says nothing."""
_WATCH, _TANKS, _NEW, _OLDEST = 11, 7, 5, 8


def draw_sentence(rooms: Sequence[RoomStanding], broker_trouble: str, width: int) -> list[Line]:
    """Return the summary; `broker_trouble` says why no room is heard now, if so."""
    if broker_trouble:
        text = f"No room is heard: nothing here is known to be true now. ({broker_trouble})"
        return [crop((Run(" "), Run(row, "stale")), width) for row in wrap(text, width - 2, 3)]
    text, role = sentence_of_rooms(rooms)
    if role in ("text", "stale"):
        return [crop((Run(" "), Run(row, role)), width) for row in wrap(text, width - 2, 3)]
    worst = max(rooms, key=lambda room: (room.level, not room.acknowledged))
    mark = Run(f" {worst.shape} ", role if worst.acknowledged else block(role))
    rows = wrap(text, width - 6, 3)
    return [
        crop((Run(" "), mark if i == 0 else Run("   "), Run(" " + row, "bright")), width)
        for i, row in enumerate(rows)
    ]


def draw_rooms(rooms: Sequence[RoomStanding], chosen: str, width: int) -> list[Line]:
    """Return a line of titles and a row for each room."""
    name_width = 24 if width >= _WIDE else 15
    titles: Line = (
        Run("    " + fit("room", name_width + 1), "label"),
        Run(fit("watch", _WATCH) + fit("tanks", _TANKS, "right"), "label"),
        Run(fit("new", _NEW, "right") + fit("oldest", _OLDEST, "right") + "  worst", "label"),
    )
    lines = [crop(titles, width)]
    for room in rooms:
        row = crop(_row(room, name_width, width - 1), width - 1)
        is_chosen = room.room_id == chosen
        head = Run("›" if is_chosen else " ", "bright", "chosen" if is_chosen else "")
        lines.append((head, *(on_ground(row, "chosen") if is_chosen else row)))
    return lines


def _row(room: RoomStanding, name_width: int, width: int) -> Line:
    loud = room.level >= Level.LOW and not room.acknowledged
    word = room.status.word
    oldest = _age(room.oldest_s)
    new = str(room.new) if room.new else ""
    room_left = width - name_width - _WATCH - _TANKS - _NEW - _OLDEST - 6
    return (
        Run(f" {room.shape} ", block(room.role) if loud else room.role),
        Run(fit(room.name, name_width) + " ", "text" if room.level is Level.QUIET else "bright"),
        Run(fit(WORDS[word], _WATCH), _watch_role(word)),
        Run(fit(str(room.status.tanks) if room.status.tanks else "–", _TANKS, "right"), "label"),
        Run(fit(new, _NEW, "right"), "bright"),
        Run(fit(oldest, _OLDEST, "right") + "  ", "label" if room.heard else "stale"),
        Run(fit(trouble_of(room) or "quiet", room_left), "label" if room.level is Level.QUIET else "text"),
    )


def _watch_role(word: Word) -> str:
    if word is Word.ONLINE:
        return "label"
    return "high" if word in NOT_HEARD else "stale"


def _age(seconds: float | None) -> str:
    if seconds is None:
        return "–"
    return "now" if seconds < _FRESH_S else words.span(seconds / 60)


def draw_chosen(room: RoomStanding | None, width: int, height: int, steady: Steady) -> list[Line]:
    """Return what is wrong in the chosen room, as its own page shows it, in at most `height` lines."""
    if room is None or room.view is None or height < 3:
        return []
    troubled = [s for s in ordered(room.view) if s.level > (Level.QUIET if room.heard else Level.STALE)]
    known = words.how_many(len(room.view.tanks), "tank")
    beyond = f", {room.status.left_out} more are not shown" if room.status.left_out else ""
    title = f"{room.name}: {known if room.heard else f'{known} as last known'}{beyond}"
    lines: list[Line] = [(), ruled(title, width)]
    if not troubled:
        said = "Nothing is wrong in this room." if room.heard else "Nothing was wrong when it was last heard."
        lines.append((Run(f" {said} Enter shows its tanks.", "label"),))
        return lines
    wall = lay_out(troubled, width, height - len(lines), steady, Showing(live=room.heard))
    lines.extend(wall.lines[: height - len(lines) - 1])
    return lines


def draw_refused(found: Refusals, width: int) -> list[Line]:
    """Return a line about what was not taken, if anything was not."""
    parts = []
    if found.rooms:
        parts.append(f"{words.how_many(found.rooms, 'message')} of rooms beyond the limit")
    if found.documents:
        parts.append(f"{words.how_many(found.documents, 'document')} refused, the last: {found.last}")
    return [crop((Run(" Not taken: " + "; ".join(parts), "medium"),), width)] if parts else []
