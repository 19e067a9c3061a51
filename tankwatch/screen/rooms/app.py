"""The screen of all rooms: a page of rooms on top of the pages of whichever room is opened."""

from __future__ import annotations

import zoneinfo
from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import partial
from typing import ClassVar, Protocol

from textual.binding import BindingType

from tankwatch.alarms.model import Alarm
from tankwatch.clock import Clock
from tankwatch.config import Config
from tankwatch.config_keys import DEFAULT_KEYS, keys_in
from tankwatch.rooms.heard import Word
from tankwatch.rooms.hub import Hub, Refusals, RoomStatus
from tankwatch.screen import keys, words
from tankwatch.screen.alarms_page import AlarmsPage
from tankwatch.screen.app import CAN_BE_ACKNOWLEDGED, TankwatchApp
from tankwatch.screen.feed import History
from tankwatch.screen.page import Page
from tankwatch.screen.reminders import Reminders
from tankwatch.screen.room_page import RoomPage
from tankwatch.screen.rooms.feed import Acknowledger, NoHistory, RoomFeed, RoomLink
from tankwatch.screen.rooms.page import RoomsPage
from tankwatch.screen.rooms.standing import RoomStanding, standing_of, worst_first
from tankwatch.screen.sources_page import SourcesPage
from tankwatch.screen.standing import RoomView, view_of
from tankwatch.screen.tank_page import TankPage
from tankwatch.snapshot import SourceSnapshot

RENEW_EVERY_S = 5.0
"""A room without news for a keeper is judged anew so often: its ages and temperatures move slowly."""
_THERE = "That is done on the room's own screen; from here alarms can be acknowledged."
_IN_A_ROOM = ("room", "alarms", "sources")


class Ear(Acknowledger, Protocol):
    """What hears the rooms: says how its broker stands, and sends acknowledgements."""

    def health(self) -> SourceSnapshot:
        """Return how the connection to the broker does."""
        ...


class RoomsApp(TankwatchApp):
    """All rooms, and each of them."""

    BINDINGS: ClassVar[list[BindingType]] = list(keys.ALL_ROOMS)

    def __init__(
        self,
        config: Config,
        hub: Hub,
        ear: Ear,
        clock: Clock,
        *,
        history_of: Callable[[str], History] | None = None,
        slow: bool = False,
        remote: bool = False,
        who: str | None = None,
    ) -> None:
        """Show what `hub` hears; `history_of` gives the history of a room by its id, where there is one."""
        self.hub = hub
        self.ear = ear
        nothing = RoomFeed("", hub, ear)
        super().__init__(config, nothing, NoHistory(), clock, slow=slow, remote=remote, who=who)
        self._history_of = history_of
        self.has_history = history_of is not None
        self._usual = DEFAULT_KEYS | config.keys
        self.page_keys = self._keys_of(("rooms",))
        self.pages = {"rooms": RoomsPage()}
        self.room_id = ""
        """The room that is open, or was last."""
        self.rooms: list[RoomStanding] = []
        """Every room, worst first."""
        self.refusals = Refusals()
        self._judged: dict[str, tuple[tuple[int, Word], float, RoomView | None]] = {}
        self._heard_s: float | None = None

    def _keys_of(self, names: Iterable[str]) -> dict[str, str]:
        return {name: keys_in(self._usual[f"page.{name}"])[0] for name in names}

    def begin(self) -> None:
        """Open the page of all rooms."""
        self.push_screen("rooms")
        self.set_interval(1.0, self.tick)
        self.tick()

    @property
    def is_hearing(self) -> bool:
        """Whether rooms can be heard now."""
        return self.ear.health().state == "connected"

    @property
    def unheard_s(self) -> float | None:
        """Seconds for which no room could be heard, or None while one can or if one never could."""
        return None if self._heard_s is None else self.clock.monotonic_s() - self._heard_s

    def broker_trouble(self) -> str:
        """Return why no room can be heard, or nothing."""
        health = self.ear.health()
        if health.state == "connected" or (health.state == "connecting" and health.restarts == 0):
            return ""
        return health.detail or health.state

    def tick(self) -> None:
        """Once a second: judge the rooms, and draw what is on top."""
        if self.is_hearing:
            self._heard_s = self.clock.monotonic_s()
        now_s = self.clock.monotonic_s()
        self.refusals = self.hub.refusals()
        statuses = self.hub.statuses()
        if self.broker_trouble():  # one cause, told once: it is not the rooms that fell silent
            statuses = [replace(status, word=Word.WAITING) for status in statuses]
        self.rooms = worst_first(self._judge(status, now_s) for status in statuses)
        state = tuple((room.room_id, room.level, room.new, room.status.word) for room in self.rooms)
        if isinstance(self.screen, RoomsPage) and not self.pace.due_in_s(now_s, state):
            self.pace.painted(now_s, state)
            with self.batch_update():
                self.screen.refresh_view()

    def _judge(self, status: RoomStatus, now_s: float) -> RoomStanding:
        known = self._judged.get(status.room_id)
        if known is None or known[0] != (status.changes, status.word) or now_s - known[1] >= RENEW_EVERY_S:
            snapshot = self.hub.snapshot(status.room_id)
            live = status.word is Word.ONLINE
            view = None if snapshot is None else view_of(snapshot, live=live)
            known = ((status.changes, status.word), now_s, view)
            self._judged[status.room_id] = known
        return standing_of(status, known[2])

    def open_room(self, room_id: str) -> None:
        """Show one room on the pages that a room of one's own has."""
        snapshot = self.hub.snapshot(room_id)
        if snapshot is None:
            self.tell("This room has told nothing of its tanks yet.", severity="warning")
            return
        if room_id != self.room_id:
            self._change_room(room_id, snapshot.timezone)
        self.page_keys = self._keys_of(("rooms", *_IN_A_ROOM))
        self.link.take(snapshot)
        self.take_news()
        self.switch_screen("room")
        self._follow()

    def _change_room(self, room_id: str, timezone: str) -> None:
        """Put fresh pages in the place of those of another room: none may show what belongs to that one."""
        for name in [name for name in self.pages if name != "rooms"]:
            page = self.pages.pop(name)
            self.uninstall_screen(page)
            if page.is_running:
                page.remove()
        fresh: dict[str, Page] = {
            "room": RoomPage(),
            "tank": TankPage(),
            "alarms": AlarmsPage(),
            "sources": SourcesPage(),
        }
        for name, page in fresh.items():
            self.install_screen(page, name)
        self.pages |= fresh
        self.room_id = room_id
        feed = RoomFeed(room_id, self.hub, self.ear)
        self.feed = feed
        self.link = RoomLink(feed, self.hub, self.clock, self.broker_trouble)
        self.history = NoHistory() if self._history_of is None else self._history_of(room_id)
        self.zone = _zone(timezone)
        self.forget_room(Reminders())

    def leave_room(self) -> None:
        """Go back to all rooms."""
        if not isinstance(self.screen, RoomsPage):
            self.workers.cancel_group(self, "link")
            self.page_keys = self._keys_of(("rooms",))
            self.switch_screen("rooms")
            self.tick()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Show the key that leads to all rooms only where it leads anywhere."""
        if action == "page" and parameters == ("rooms",):
            return not isinstance(self.screen, RoomsPage)
        return super().check_action(action, parameters)

    def action_page(self, name: str) -> None:
        """Open a page of the open room, or that of all rooms."""
        if name == "rooms":
            self.leave_room()
        elif name in self.page_keys:
            super().action_page(name)

    def acknowledge(self, alarms: Iterable[Alarm]) -> None:
        """Tell the open room that the keeper has seen `alarms`."""
        seen = [alarm.alarm_id for alarm in alarms if alarm.state in CAN_BE_ACKNOWLEDGED]
        if not seen:
            self.tell("Nothing here waits to be acknowledged.")
        elif isinstance(self.feed, RoomFeed):
            said = f"Acknowledged {words.how_many(len(seen), 'alarm')}."
            self._ask_watch([partial(self.feed.acknowledge_all, seen, self.who)], said)

    def ask_service(self, tank_id: str) -> None:
        """Say where work is begun."""
        self.tell(_THERE)

    def open_care(self, tank_id: str) -> None:
        """Say where the care of a tank is kept."""
        self.tell(_THERE)


def _zone(name: str) -> zoneinfo.ZoneInfo:
    """Return the time zone of a room, or UTC for a name that is none here."""
    try:
        return zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        return zoneinfo.ZoneInfo("Etc/UTC")
