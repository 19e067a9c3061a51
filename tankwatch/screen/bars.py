"""The bar on top, with the pages and the state of the link, and the line of keys below."""

from collections.abc import Mapping, Sequence
from typing import Any, Literal, NamedTuple

from rich.cells import cell_len
from textual import events
from textual.binding import Binding
from textual.screen import Screen

from tankwatch.screen import words
from tankwatch.screen.ink import Line, Run, clean, crop, fit, length
from tankwatch.screen.link import LinkState
from tankwatch.screen.picture import Picture

PAGES = {
    "rooms": "Rooms",
    "room": "Room",
    "alarms": "Alarms",
    "night": "Night",
    "sources": "Sources",
    "health": "Health",
}
"""Name and title of the pages in the bar, where a screen has them."""
_BELONGS_TO = {"tank": "room", "care": "room"}
_ROOM_FOR_NAME = 9


class Tab(NamedTuple):
    """One page in the bar."""

    name: str
    key: str
    title: str
    """Empty where there is no room for it: its key still stands."""
    news: str = ""

    @property
    def width(self) -> int:
        """Cells that it takes."""
        return len(f" {self.key} ") + (len(self.title) + 1 if self.title else 0) + len(self.news)


def tabs(page: str, keys: Mapping[str, str], unacknowledged: int, room: int) -> list[Tab]:
    """Return the pages for a bar of `room` cells; the last titles go first, that of `page` stays."""
    here = _BELONGS_TO.get(page, page)
    found = [
        Tab(
            name,
            key_word(keys[name]),
            title,
            f"{unacknowledged} new " if name == "alarms" and unacknowledged else "",
        )
        for name, title in PAGES.items()
        if name in keys
    ]
    for i in reversed(range(len(found))):
        if sum(tab.width for tab in found) <= room:
            break
        if found[i].name not in (here, "alarms"):
            found[i] = found[i]._replace(title="")
    return found


def draw_top(
    room: str,
    page: str,
    keys: Mapping[str, str],
    unacknowledged: int,
    link: LinkState,
    age_s: float | None,
    width: int,
    time_text: str = "",
) -> Line:
    """Return the bar on top: the pages, the room's name, the time, and a link that is not in order."""
    state, role = link_words(link, age_s)
    runs: list[Run] = []
    for tab in _tabs_in(page, keys, unacknowledged, link, age_s, width):
        here = tab.name == _BELONGS_TO.get(page, page)
        ground = "chosen" if here else "bar"
        runs.append(Run(f" {tab.key} ", "bright" if not here else "label", ground))
        if tab.title:
            runs.append(Run(f"{tab.title} ", "bright" if here else "label", ground))
        if tab.news:
            runs.append(Run(tab.news, "bright", ground))
    left = width - length(tuple(runs)) - len(state) - 2
    name = clean(room)
    align: Literal["left", "right"] = "left" if state else "right"
    if time_text:
        # The time tells more than half a name: one knows in which room one is.
        both = f"{name}  {time_text}"
        name = both if cell_len(both) < left else time_text if len(time_text) < left else name
    runs.append(Run(" " + fit(name, max(0, left - 1), align), "label", "bar"))
    if state:
        runs.append(Run(f" {state} ", role, "bar"))
    runs.append(Run(" ", ground="bar"))
    return crop(tuple(runs), width)


def _tabs_in(
    page: str, keys: Mapping[str, str], unacknowledged: int, link: LinkState, age_s: float | None, width: int
) -> list[Tab]:
    state, _ = link_words(link, age_s)
    return tabs(page, keys, unacknowledged, width - (len(state) + 3 if state else _ROOM_FOR_NAME))


def link_words(link: LinkState, age_s: float | None) -> tuple[str, str]:
    """Return the state of the link in words, empty while all is well, and its role."""
    if link is LinkState.LIVE:
        return "", "label"
    if link is LinkState.CONNECTING:
        return "connecting", "label"
    if link is LinkState.ABSENT:
        return "NO WATCH", "stale-block"
    if age_s is None:
        return "OLD PICTURE", "stale-block"
    if age_s < 60:
        return f"PICTURE {age_s - age_s % 5:.0f} s OLD", "stale-block"
    return f"PICTURE {words.span(age_s / 60)} OLD", "stale-block"


def tab_at(x: int, shown: Sequence[Tab]) -> str | None:
    """Return the page whose name stands at cell `x` of the top bar."""
    start = 0
    for tab in shown:
        if start <= x < start + tab.width:
            return tab.name
        start += tab.width
    return None


def key_word(key: str) -> str:
    """Return a key as it is shown: `F5` for `f5`, `^t` for `ctrl+t`."""
    if key.startswith("ctrl+"):
        return "^" + key.removeprefix("ctrl+")
    return key if len(key) == 1 else key.title()


class TopBar(Picture):
    """One line on top; a click on a page's name opens it."""

    DEFAULT_CSS = "TopBar { height: 1; overflow: hidden hidden; }"

    def __init__(self) -> None:
        """Stand on the ground of bars."""
        super().__init__(ground="bar")
        self._tabs: list[Tab] = []

    def show_state(
        self,
        room: str,
        page: str,
        keys: Mapping[str, str],
        unacknowledged: int,
        link: LinkState,
        age_s: float | None,
        time_text: str = "",
    ) -> None:
        """Show where one is and how the link stands."""
        width = self.size.width
        self._tabs = _tabs_in(page, keys, unacknowledged, link, age_s, width)
        self.show([draw_top(room, page, keys, unacknowledged, link, age_s, width, time_text)])

    async def on_click(self, event: events.Click) -> None:
        """Open the page under the pointer."""
        page = tab_at(event.x, self._tabs)
        if page is not None:
            await self.app.run_action(f"page('{page}')")


class KeyLine(Picture):
    """The keys of the page, as many as fit; a click does what the key does."""

    DEFAULT_CSS = "KeyLine { height: 1; dock: bottom; overflow: hidden hidden; }"

    def __init__(self) -> None:
        """Stand on the ground of bars."""
        super().__init__(ground="bar")
        self._spans: list[tuple[int, int, str]] = []

    def on_mount(self) -> None:
        """Follow changes of the keys."""
        super().on_mount()  # type: ignore[no-untyped-call]  # ScrollView leaves it untyped
        self.screen.bindings_updated_signal.subscribe(self, self._keys_changed)
        self.call_after_refresh(self._keys_changed, self.screen)

    def on_resize(self) -> None:
        """Fit the line to the width."""
        self._keys_changed(self.screen)

    def _keys_changed(self, screen: Screen[Any]) -> None:
        if screen is not self.screen or not self.size.width:
            return
        runs: list[Run] = []
        self._spans = []
        x = 0
        for shown, word, binding_key in keys_of(screen):
            cells = len(shown) + len(word) + 4
            if x + cells > self.size.width:
                break
            runs.append(Run(f" {shown}", "bright", "bar"))
            runs.append(Run(f" {word}  ", "label", "bar"))
            self._spans.append((x, x + cells, binding_key))
            x += cells
        self.show([crop(tuple(runs), self.size.width)])

    async def on_click(self, event: events.Click) -> None:
        """Do what the key under the pointer does."""
        for start, end, binding_key in self._spans:
            if start <= event.x < end:
                self.app.simulate_key(binding_key)
                return


def keys_of(screen: Screen[Any]) -> list[tuple[str, str, str]]:
    """Return (key as shown, word, key) of each key to show on `screen`, help first."""
    found: list[tuple[bool, str, str, str]] = []
    seen: set[str] = set()
    for active in screen.active_bindings.values():
        binding: Binding = active.binding
        if not binding.show or not active.enabled or binding.action in seen:
            continue
        seen.add(binding.action)
        shown = binding.key_display or screen.app.get_key_display(binding)
        found.append((active.node is screen.app, shown, binding.description, binding.key))
    found.sort(key=lambda f: (f[2] != "help", f[0]))
    return [(shown, word, binding_key) for _, shown, word, binding_key in found]
