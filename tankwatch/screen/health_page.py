"""Health: how the program itself is, from the queues of the watch to the last lines of its log."""

import asyncio
import os
import platform
import sqlite3
from collections import deque
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import ClassVar

from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType

from tankwatch import __version__
from tankwatch.screen import keys, words
from tankwatch.screen.ink import Line, Run, clean, fit, wrap
from tankwatch.screen.page import Page
from tankwatch.screen.picture import Picture
from tankwatch.screen.standing import RoomView
from tankwatch.snapshot import ForwardSnapshot, RoomSnapshot, SourceSnapshot, SplitSnapshot, StoreSnapshot
from tankwatch.store.connection import wal_reset_bug
from tankwatch.watch.logs import log_path

_LOG_LINES = 12
_BEHIND_S = 120.0
"""A central store that lags by less is only between two looks at what is new."""
_LOG_TAIL_BYTES = 16_384
_READ_EVERY_S = 15.0


@dataclass(frozen=True, slots=True)
class Places:
    """The files of this room."""

    config: Path | None
    store: Path
    socket: Path | None = None


@dataclass(frozen=True, slots=True)
class ThisScreen:
    """What the screen runs on."""

    tankwatch: str
    python: str
    sqlite: str
    sqlite_loses_data: bool
    """This SQLite can lose data when two connections write and checkpoint at once."""
    textual: str
    system: str
    terminal: str


def this_screen() -> ThisScreen:
    """Return the versions in use."""
    names = [os.environ.get(name, "") for name in ("TERM", "COLORTERM", "LANG")]
    return ThisScreen(
        __version__,
        platform.python_version(),
        sqlite3.sqlite_version,
        wal_reset_bug(),
        version("textual"),
        f"{platform.system()} {platform.machine()}",
        ", ".join(name for name in names if name) or "unknown",
    )


class HealthPage(Page):
    """How the program itself is."""

    NAME = "health"
    BINDINGS: ClassVar[list[BindingType]] = list(keys.HEALTH_PAGE)
    HELP_TITLE = "The program's own health"
    HELP = (
        "What waits in queues, what was given up, how large the store is, what was refused with the last "
        "example made safe to show, versions, files, and the last lines of the watch's log. When something "
        "is odd, this page is what to copy for whoever helps."
    )

    def __init__(self, places: Places) -> None:
        """Tell of the files at `places`."""
        super().__init__()
        self._places = places
        self._about = this_screen()
        self._log: tuple[str, ...] | None = None
        self._asked_at_s = float("-inf")

    def compose_body(self) -> ComposeResult:
        """One picture."""
        yield Picture(id="health")

    def draw(self, view: RoomView) -> None:
        """Draw all of it; the log is read anew now and then."""
        mono_s = self.home.clock.monotonic_s()
        if mono_s - self._asked_at_s >= _READ_EVERY_S:
            self._asked_at_s = mono_s
            self._read_log()
        width = self.size.width
        size = f"{width}×{self.size.height}, {self.app.console.color_system or 'no colour'}"
        lines = draw_health(view, self._about, self._places, self._log, size, width - 2)
        self.query_one("#health", Picture).show(lines)

    @work(exclusive=True, group="log-tail")
    async def _read_log(self) -> None:
        self._log = await asyncio.to_thread(last_lines, log_path(self._places.store), _LOG_LINES)
        self.refresh_view()

    def action_scroll(self, rows: int) -> None:
        """Scroll."""
        self.query_one("#health", Picture).scroll_relative(y=rows, animate=False)


def last_lines(path: Path, count: int) -> tuple[str, ...]:
    """Return the last `count` lines of the log at `path`; a line that says why there are none."""
    try:
        with path.open("rb") as file:
            file.seek(0, os.SEEK_END)
            file.seek(max(0, file.tell() - _LOG_TAIL_BYTES))
            lines = file.read().decode("utf-8", "replace").splitlines()
    except OSError as error:
        return (f"{path}: no log to read: {error.strerror}",)
    return tuple(deque(lines, count)) or (f"{path}: empty",)


def draw_health(
    view: RoomView, about: ThisScreen, places: Places, log: tuple[str, ...] | None, terminal: str, width: int
) -> list[Line]:
    """Return the health of the program as lines."""
    lines: list[Line] = [()]
    snapshot = view.snapshot
    if snapshot is None:
        lines.append((Run(" No watch answers: only this screen and its files are known.", "stale"),))
    else:
        if not view.live:
            lines.append((Run(" This was so when the watch last answered.", "stale"),))
        lines.extend(_queues(snapshot, width))
        if snapshot.forward is not None:
            lines.extend(_forward(snapshot.forward, width))
        if snapshot.split is not None:
            lines.extend(_split(snapshot.split, snapshot.time_s, width))
        lines.append(())
        lines.extend(_refused(snapshot.sources, width))
    lines.append(())
    lines.append(_title("Versions"))
    watch = "no watch answers" if snapshot is None else f"tankwatch {clean(snapshot.version) or '?'}"
    if snapshot is not None and snapshot.version and snapshot.version != about.tankwatch:
        watch += "; not the version of this screen: start it again"
    lines.extend(_row("the watch", watch, width))
    lines.extend(_row("this screen", f"tankwatch {about.tankwatch}, Textual {about.textual}", width))
    lines.extend(_row("runs on", f"Python {about.python}, {about.system}", width))
    sqlite = f"SQLite {about.sqlite}"
    if about.sqlite_loses_data:
        sqlite += (
            "; versions up to 3.51.2 can lose data when two programs write: only the watch does, leave it so"
        )
    lines.extend(_row("store by", sqlite, width))
    lines.extend(_row("terminal", f"{terminal}; {clean(about.terminal)}", width))
    lines.append(())
    lines.append(_title("Files"))
    lines.extend(_row("configuration", clean(str(places.config or "?")), width))
    lines.extend(_row("store", clean(str(places.store)), width))
    if places.socket is not None:
        lines.extend(_row("socket", clean(str(places.socket)), width))
    lines.extend(_row("log", clean(str(log_path(places.store))), width))
    lines.append(())
    lines.append(_title("Last lines of the log"))
    for line in log or ("reading …",):
        role = "bright" if " WARNING " in line or " ERROR " in line else "text"
        lines.extend((Run("   " + row, role),) for row in wrap(clean(line), width - 4, 3))
    return lines


def _queues(snapshot: RoomSnapshot, width: int) -> list[Line]:
    store: StoreSnapshot = snapshot.store
    dropped = sum(s.dropped for s in snapshot.sources)
    restarts = sum(s.restarts for s in snapshot.sources)
    since = words.span(max(0.0, snapshot.time_s - snapshot.started_s) / 60)
    lines: list[Line] = [_title("The watch")]
    lines.extend(_row("running for", since, width))
    waiting = f"{words.how_many(store.waiting, 'reading')} waiting to be written"
    if store.behind_s >= 1.0:
        waiting += f", {store.behind_s:.0f} s behind"
    lines.extend(_row("queue", waiting, width))
    state = clean(store.state) + (f": {clean(store.detail)}" if store.detail else "")
    lines.extend(_row("store", state, width, "text" if store.state == "fine" else "high"))
    size = f"{words.size(store.size_bytes)}, and {words.size(store.wal_bytes)} not yet folded in"
    lines.extend(_row("its size", size, width))
    unjudged, unwritten = words.how_many(dropped, "reading"), words.how_many(store.dropped, "reading")
    given_up = f"{unjudged} before judging, {unwritten} before writing"
    lines.extend(_row("given up", given_up, width, "text" if not dropped + store.dropped else "medium"))
    if restarts:
        lines.extend(_row("restarted", f"sources, {words.how_many(restarts, 'time')}", width, "medium"))
    return lines


def _forward(forward: ForwardSnapshot, width: int) -> list[Line]:
    lines = _row("central store", clean(forward.to), width)
    sent = words.how_many(forward.rows, "row")
    if forward.error:
        lines.extend(
            _row("", f"{clean(forward.error)} Nothing is lost: the store here has it all.", width, "medium")
        )
    if forward.behind_s < _BEHIND_S:
        lines.extend(_row("", f"has all but the last seconds; {sent} sent", width))
    else:
        behind = words.span(forward.behind_s / 60)
        lines.extend(_row("", f"behind for {behind}; {sent} sent", width, "medium"))
    return lines


def _split(split: SplitSnapshot, now_s: float, width: int) -> list[Line]:
    lines: list[Line] = [(), _title("The watches of this room")]
    for name in sorted({*split.watches, *split.live, *split.holders.values(), split.watch}):
        tanks = sorted(tank for tank, holder in split.holders.items() if holder == name)
        who = clean(name) + (", this one" if name == split.watch else "")
        what = f"{words.how_many(len(tanks), 'tank')}: {clean(', '.join(tanks))}" if tanks else "no tank"
        alive = name in split.live
        text = what if alive else f"{what}; no sign of life"
        lines.extend(_row(who, text, width, "text" if alive else "medium"))
    if split.last:
        ago = words.span(max(0.0, now_s - split.last_s) / 60)
        lines.extend(_row("last moved", f"tanks: {clean(split.last)}; {ago} ago", width))
    if split.trouble:
        lines.extend(_row("leases", clean(split.trouble), width, "high"))
    return lines


def _refused(sources: tuple[SourceSnapshot, ...], width: int) -> list[Line]:
    lines: list[Line] = [_title("Refused payloads")]
    if not any(s.refused or s.last_refused for s in sources):
        return [*lines, (Run("   none", "text"),)]
    for source in sources:
        if not source.refused and not source.last_refused:
            continue
        reasons = ", ".join(f"{clean(r)} {n}" for r, n in sorted(source.refused.items(), key=lambda i: -i[1]))
        lines.extend(_row(clean(source.source_id), reasons or "not counted", width, "medium"))
        if source.last_refused:
            lines.extend(_row("the last one", clean(source.last_refused), width))
    return lines


def _title(text: str) -> Line:
    return (Run(f" {text}", "label"),)


def _row(label: str, text: str, width: int, role: str = "text") -> list[Line]:
    rows = wrap(text, max(10, width - 18)) or [""]
    return [
        (Run(fit("   " + label if i == 0 else "", 17) + " ", "label"), Run(row, role))
        for i, row in enumerate(rows)
    ]
