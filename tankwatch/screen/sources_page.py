"""Sources: where readings come from, probe by probe, what was refused, and how store and watch are."""

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType

from tankwatch import __version__
from tankwatch.screen import keys, words
from tankwatch.screen.ink import Line, Run, clean, crop, fit, wrap
from tankwatch.screen.page import Page
from tankwatch.screen.page_table import PageTable, source_table
from tankwatch.screen.picture import Picture
from tankwatch.screen.probes import draw_sick, draw_well, probes_of
from tankwatch.screen.standing import RoomView
from tankwatch.snapshot import RoomSnapshot, SourceSnapshot, StoreSnapshot

_SIGNS = {
    "connected": (" ", "text"),
    "connecting": ("…", "label"),
    "lost": ("▲", "high"),
    "stopped": ("?", "stale"),
}


class SourcesPage(Page):
    """Health of everything that readings pass through."""

    NAME = "sources"
    BINDINGS: ClassVar[list[BindingType]] = list(keys.SOURCES_PAGE)
    HELP_TITLE = "Sources"
    HELP = (
        "Each source with its state, when it was last heard, and its counts; above them the probes that "
        "want a look, below them all others. Refused payloads are counted "
        "by reason, and the last one is shown, made safe. Dropped readings are the oldest, given up because"
        " the watch was behind."
    )

    def compose_body(self) -> ComposeResult:
        """One picture."""
        yield Picture(id="sources")

    def draw(self, view: RoomView) -> None:
        """Draw all of it."""
        picture = self.query_one("#sources", Picture)
        width = self.size.width - 2
        probes = probes_of(view, self.home.config) if view.live else []
        sources = draw_sources(view.snapshot, view.live, width)
        picture.show([*draw_sick(probes, width), *sources, *draw_well(probes, width)])

    def table(self) -> PageTable:
        """Return the health of the sources."""
        return source_table(self.home.view.snapshot)

    def action_scroll(self, rows: int) -> None:
        """Scroll."""
        self.query_one("#sources", Picture).scroll_relative(y=rows, animate=False)


def draw_sources(snapshot: RoomSnapshot | None, live: bool, width: int) -> list[Line]:
    """Return the health of sources, store and programs as lines."""
    lines: list[Line] = [()]
    if snapshot is None:
        lines.append((Run(" No watch answers: the state of the sources is not known.", "stale"),))
        lines.extend(_row("this screen", f"tankwatch {__version__}", width))
        return lines
    if not live:
        lines.extend([(Run(" This was so when the watch last answered.", "stale"),), ()])
    if not snapshot.sources:
        lines.append((Run(" No source is configured: nothing can be read.", "text"),))
    for source in snapshot.sources:
        lines.extend(_source(source, width))
        lines.append(())
    lines.extend(_store(snapshot.store, width))
    lines.append(())
    lines.append((Run(" Programs", "label"),))
    since = words.span(max(0.0, snapshot.time_s - snapshot.started_s) / 60)
    lines.extend(_row("the watch", f"tankwatch {clean(snapshot.version) or '?'}, for {since}", width))
    lines.extend(_row("this screen", f"tankwatch {__version__}", width))
    return lines


def _source(source: SourceSnapshot, width: int) -> list[Line]:
    sign, role = _SIGNS.get(source.state, ("?", "stale"))
    state_role = role if source.state in _SIGNS else "stale"
    head = (
        Run(f" {sign} ", role),
        Run(fit(clean(source.source_id), 18) + " ", "bright"),
        Run(fit(clean(source.kind), 9), "label"),
        Run(clean(source.state), state_role),
    )
    lines: list[Line] = [crop(head, width)]
    if source.detail:
        lines.extend(_row("where", clean(source.detail), width))
    lines.extend(_row("last heard", words.age(source.last_heard_age_s), width))
    counts = (
        f"{words.how_many(source.received, 'payload')} in, {words.how_many(source.accepted, 'reading')} out"
    )
    lines.extend(_row("taken in", counts, width))
    refused = sum(source.refused.values())
    if refused:
        reasons = ", ".join(
            f"{clean(reason)} {count}"
            for reason, count in sorted(source.refused.items(), key=lambda r: -r[1])
        )
        lines.extend(_row("refused", f"{words.how_many(refused, 'payload')}: {reasons}", width, "medium"))
    if source.last_refused:
        lines.extend(_row("the last one", clean(source.last_refused), width))
    if source.dropped:
        lines.extend(_row("dropped", words.how_many(source.dropped, "reading"), width, "medium"))
    if source.restarts:
        lines.extend(_row("restarted", words.how_many(source.restarts, "time"), width))
    return lines


def _store(store: StoreSnapshot, width: int) -> list[Line]:
    fine = store.state == "fine"
    lines: list[Line] = [
        (
            Run("   " if fine else " ▲ ", "high"),
            Run(fit("store", 18) + " ", "bright"),
            Run(fit("", 9)),
            Run(clean(store.state), "text" if fine else "high"),
        )
    ]
    lines.extend(_row("where", clean(store.path), width))
    if store.detail:
        lines.extend(_row("trouble", clean(store.detail), width, "high"))
    sizes = f"{words.size(store.size_bytes)}, and {words.size(store.wal_bytes)} not yet folded in"
    lines.extend(_row("size", sizes, width))
    lines.extend(
        _row("written", f"{words.how_many(store.written, 'reading')}, {store.waiting} waiting", width)
    )
    if store.dropped:
        lines.extend(_row("dropped", words.how_many(store.dropped, "reading"), width, "medium"))
    return lines


def _row(label: str, text: str, width: int, role: str = "text") -> list[Line]:
    rows = wrap(text, max(10, width - 18)) or [""]
    return [
        (Run(fit("   " + label if i == 0 else "", 17), "label"), Run(row, role)) for i, row in enumerate(rows)
    ]
