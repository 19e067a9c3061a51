"""The screen as a program: pages, the link to the watch, and the few things that all pages ask for."""

from __future__ import annotations

import asyncio
import getpass
from collections.abc import Callable, Coroutine, Iterable, Sequence
from functools import partial
from pathlib import Path
from typing import Any, ClassVar, Literal

from textual import work
from textual.app import App, SystemCommand
from textual.binding import Binding, BindingType
from textual.screen import Screen
from textual.timer import Timer

from tankwatch.alarms.model import Alarm, AlarmState
from tankwatch.clock import Clock
from tankwatch.config import Config
from tankwatch.config_keys import DEFAULT_KEYS, keys_in
from tankwatch.errors import ControlError, NotKeptError, StoreError
from tankwatch.reading import Channel, ServiceMark
from tankwatch.screen import keys, words
from tankwatch.screen.alarms_page import AlarmsPage
from tankwatch.screen.chart.draw import ChartData
from tankwatch.screen.explained import Explains
from tankwatch.screen.feed import History, LiveFeed, Reviewer, WeeksReviewer
from tankwatch.screen.health_page import HealthPage, Places
from tankwatch.screen.link import Link, LinkState
from tankwatch.screen.night_page import NightPage
from tankwatch.screen.pace import Pace
from tankwatch.screen.page import Page
from tankwatch.screen.palette import THEME
from tankwatch.screen.reminders import Reminders
from tankwatch.screen.room_page import RoomPage
from tankwatch.screen.service_dialog import ServiceBegin, ServiceEnd
from tankwatch.screen.sources_page import SourcesPage
from tankwatch.screen.standing import RoomView, view_of, view_of_history
from tankwatch.screen.still_palette import StillPalette
from tankwatch.screen.tank_history import fetch_trend
from tankwatch.screen.tank_page import TankPage
from tankwatch.screen.without_colour import honour_no_color

TREND_EVERY_S = 600.0
YOUNG_EVERY_S = 60.0
_GOOD_NEWS_S = 3.0
"""A notice lies over the record: what merely went well leaves soon."""
_PAGE_COMMANDS = {
    "rooms": ("All rooms", "Every room, worst first"),
    "room": ("Room", "Every tank, worst first"),
    "alarms": ("Alarms", "Every alarm that stands"),
    "night": ("Night", "What happened last night"),
    "sources": ("Sources", "Where readings come from"),
    "health": ("Health", "How the program itself is"),
}
"""Title and tooltip in the palette of each page that a screen may have."""
CAN_BE_ACKNOWLEDGED = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED})


class TankwatchApp(App[None]):
    """The screen. It shows what the watch says, and hands back what the keeper does."""

    TITLE = "tankwatch"
    CSS_PATH: ClassVar[str | Path] = Path(__file__).with_name("look.tcss")
    BINDINGS: ClassVar[list[BindingType]] = list(keys.APP)
    NOTIFICATION_TIMEOUT = 8
    ALLOW_SELECT = False

    def __init__(
        self,
        config: Config,
        feed: LiveFeed,
        history: History,
        clock: Clock,
        *,
        slow: bool = False,
        remote: bool = False,
        config_path: Path | None = None,
        who: str | None = None,
        review: Reviewer | None = None,
        weeks: WeeksReviewer | None = None,
        places: Places | None = None,
    ) -> None:
        """Attach to `feed` and `history`; `remote` paints readings at most once a second, `slow` once in
        five unless alarms change.

        `review` reconstructs a night from the store, `weeks` the weeks of a tank; `places` names the files
        that the health page tells of.
        """
        super().__init__()
        honour_no_color(self)
        self.config = config
        self.feed = feed
        self.history = history
        self.clock = clock
        self.pace = Pace(slow=slow, remote=remote)
        self._late: Timer | None = None
        self.zone = config.room.zone
        self.review = review
        self.weeks = weeks
        self.page_keys = {
            name: keys_in((DEFAULT_KEYS | config.keys)[f"page.{name}"])[0]
            for name in ("room", "alarms", "night", "sources", "health")
        }
        """Key of each page in the bar on top."""
        self.who = who or _user()
        self.start_command = f"tankwatch watch {config_path or 'CONFIG'}"
        self.link = Link(feed, clock)
        self.view = RoomView(config.room.name, clock.wall_s())
        self.trends: dict[str, ChartData] = {}
        self._trends_asked_s = float("-inf")
        self._trends_wanted: list[str] = []
        self._last: dict[tuple[str, Channel], tuple[float, float]] = {}
        self._shown_state: tuple[LinkState, str] | None = None
        self._reminders = Reminders()
        self.has_history = True
        """Whether there can be charts at all."""
        self.pages: dict[str, Page] = {
            "room": RoomPage(),
            "tank": TankPage(),
            "alarms": AlarmsPage(),
            "night": NightPage(),
            "sources": SourcesPage(),
            "health": HealthPage(places or Places(config_path, config.store.path)),
        }

    def on_mount(self) -> None:
        """Set colours, keys and pages, and begin."""
        self.register_theme(THEME)
        self.theme = THEME.name
        self.set_keymap(self.config.keys)
        for name, page in self.pages.items():
            self.install_screen(page, name)
        self.begin()

    def begin(self) -> None:
        """Open the first page and begin to follow the watch."""
        self.push_screen("room")
        if len(self.config.tank) == 1:
            self.open_standing(self.config.tank[0].id)
        self.set_interval(1.0, self.tick)
        self._follow()
        self._read_last_values()

    def forget_room(self, reminders: Reminders) -> None:
        """Forget what was shown of a room, before another one is shown."""
        self.view = RoomView("", self.clock.wall_s())
        self.trends = {}
        self._trends_wanted, self._trends_asked_s = [], float("-inf")
        self._last = {}
        self.pace.forget()
        self._shown_state = None
        self._reminders = reminders

    def leave_room(self) -> None:
        """Go back to where rooms are chosen; this screen has only one."""

    @work(group="link", exclusive=True, description="follow the watch")
    async def _follow(self) -> None:
        await self.link.follow(self.take_news)

    def take_news(self) -> None:
        """Draw the newest picture once that is due."""
        if self._late is not None:
            self._late.stop()
            self._late = None
        alarms = self.link.snapshot.alarms if self.link.snapshot is not None else ()
        state = (self.link.state, tuple((a.alarm_id, a.state) for a in alarms))
        now_s = self.clock.monotonic_s()
        if wait_s := self.pace.due_in_s(now_s, state):
            self._late = self.set_timer(wait_s, self.take_news)
            return
        self.pace.painted(now_s, state)
        self._renew_view()

    def tick(self) -> None:
        """Once a second: has the link gone quiet, has its age grown by a word?"""
        state = (self.link.state, words.age(self.link.age_s))
        if self.link.state is not LinkState.LIVE and state != self._shown_state:
            self._renew_view()
            if self.link.state is LinkState.ABSENT:
                self._read_last_values()
        self._shown_state = state

    def _renew_view(self) -> None:
        live = self.link.state is LinkState.LIVE
        snapshot = self.link.snapshot
        if snapshot is not None:
            self.view = view_of(snapshot, live=live)
            for reminder in self._reminders.due(snapshot, self.clock.monotonic_s()) if live else ():
                self.tell(reminder, severity="warning")
        else:
            self.view = view_of_history(self.config, self._last, self.clock.wall_s())
        with self.batch_update():
            if isinstance(self.screen, Page):
                self.screen.refresh_view()

    @work(exclusive=True, group="last-values")
    async def _read_last_values(self) -> None:
        try:
            self._last = dict(await asyncio.to_thread(self.history.last_values))
        except StoreError as error:
            self.log.warning(f"no last values: {error}")
        if self.link.snapshot is None:
            self._renew_view()

    def want_trends(self, tanks: Sequence[str]) -> None:
        """Have the last 24 hours of `tanks` read, unless that was done not long ago."""
        now_s = self.clock.monotonic_s()
        known = set(tanks) <= set(self._trends_wanted)
        # A store that is young or not there yet fills soon: it is asked again sooner.
        young = any(trend.empty for trend in self.trends.values())
        if known and now_s - self._trends_asked_s < (YOUNG_EVERY_S if young else TREND_EVERY_S):
            return
        self._trends_wanted, self._trends_asked_s = list(tanks), now_s
        self._read_trends(list(tanks))

    @work(exclusive=True, group="trends")
    async def _read_trends(self, tanks: Sequence[str]) -> None:
        for tank_id in tanks:
            standing = self.view.find(tank_id)
            if standing is not None and standing.tank is not None:
                self.trends[tank_id] = await asyncio.to_thread(
                    fetch_trend, self.history, standing.tank, self.view.time_s
                )
        if isinstance(self.screen, Page):
            self.screen.refresh_view()

    def open_standing(self, key: str) -> None:
        """Open the page of a tank; of the alarms for what belongs to no tank."""
        if key.startswith("room:"):
            self.switch_screen("alarms")
            return
        page = self.pages["tank"]
        if key and isinstance(page, TankPage):
            page.open_tank(key)
            self.switch_screen("tank")

    def open_weeks(self, tank_id: str) -> None:
        """Show the weeks behind a tank."""
        from tankwatch.screen.weeks_page import WeeksPage  # only a look at the weeks needs it

        self.push_screen(WeeksPage(tank_id))

    def open_care(self, tank_id: str) -> None:
        """Open the care page of a tank."""
        # The sums of the care are many modules: they are loaded when they are asked for, not at the start.
        from tankwatch.screen.care.care_page import CarePage

        page = self.pages.get("care")
        if not isinstance(page, CarePage):
            page = CarePage()
            self.pages["care"] = page
            self.install_screen(page, "care")
        page.open_tank(tank_id)
        self.switch_screen("care")

    def action_page(self, name: str) -> None:
        """Open a page by name."""
        if isinstance(self.screen, Page) and name != self.screen.NAME:
            self.switch_screen(name)

    def action_command_palette(self) -> None:
        """Open the palette of commands."""
        if not isinstance(self.screen, StillPalette):
            self.push_screen(StillPalette())

    def action_help(self) -> None:
        """Explain what has the focus, or the page on top."""
        if isinstance(self.screen, Explains):
            self.screen.action_help()

    def acknowledge(self, alarms: Iterable[Alarm]) -> None:
        """Tell the watch that the keeper has seen `alarms`."""
        seen = [a for a in alarms if a.state in CAN_BE_ACKNOWLEDGED]
        if not seen:
            self.tell("Nothing here waits to be acknowledged.")
            return
        calls = [partial(self.feed.acknowledge, a.alarm_id, self.who) for a in seen]
        self._ask_watch(calls, f"Acknowledged {words.how_many(len(seen), 'alarm')}.")

    def ask_service(self, tank_id: str) -> None:
        """Ask what work begins in a tank, with the cautions, or whether it is over."""
        standing = self.view.find(tank_id)
        if standing is None or standing.tank is None:
            return
        if not self.view.live:
            self.tell("No watch answers, so it cannot be told that work begins.", severity="error")
        elif standing.tank.service:
            self.push_screen(ServiceEnd(standing.name), partial(self._service_ended, tank_id))
        else:
            self.push_screen(ServiceBegin(standing.name), partial(self._service_begun, tank_id))

    def _service_begun(self, tank_id: str, mark: ServiceMark | None) -> None:
        if mark is not None:
            self.mark_service(tank_id, mark)

    def _service_ended(self, tank_id: str, over: bool | None) -> None:
        if over:
            self.mark_service(tank_id, ServiceMark.END)

    def mark_service(self, tank_id: str, mark: ServiceMark) -> None:
        """Tell the watch that work begins or ends."""
        said = (
            "The work is over: every alarm counts again."
            if mark is ServiceMark.END
            else "The work has begun."
        )
        top = self.screen
        then = top.record_changed if isinstance(top, Page) else None
        self._ask_watch([partial(self.feed.mark, tank_id, mark, self.who)], said, then)

    def write_log(self, tank_id: str, kind: str, text: str, then: Callable[[], None] | None = None) -> None:
        """Have the watch keep an entry in the care log of a tank; `then` is called once it is kept."""
        self._ask_watch(
            [partial(self.feed.log, tank_id, kind, text, self.who)], "Kept in the care log.", then
        )

    def shelve(self, alarm: Alarm, minutes: float, why: str) -> None:
        """Put an alarm away for some minutes."""
        call = partial(self.feed.shelve, alarm.alarm_id, minutes, why, self.who)
        self._ask_watch([call], f"Put away for {words.span(minutes)}; it comes back by itself.")

    def take_out_of_service(self, alarm: Alarm, why: str) -> None:
        """Stop judging the condition of an alarm."""
        if alarm.tank is None:
            self.tell("Only a condition of a tank can be taken out of service.")
            return
        call = partial(self.feed.take_out_of_service, alarm.tank, alarm.condition, why, self.who)
        self._ask_watch([call], "Out of service: it is not judged until someone brings it back.")

    def bring_back(self, alarm: Alarm) -> None:
        """Bring back what was shelved or taken out of service."""
        if alarm.state is AlarmState.SHELVED:
            call = partial(self.feed.unshelve, alarm.alarm_id, self.who)
        elif alarm.state is AlarmState.OUT_OF_SERVICE:
            call = partial(self.feed.return_to_service, alarm.alarm_id, self.who)
        else:
            self.tell("This alarm was not put away.")
            return
        self._ask_watch([call], "Brought back.")

    def reset(self, alarm: Alarm) -> None:
        """Say that the cause of a latched alarm was put right."""
        if alarm.state is not AlarmState.LATCHED:
            self.tell("Only a latched alarm is put right by hand; the others follow their cause.")
            return
        self._ask_watch([partial(self.feed.reset, alarm.alarm_id, self.who)], "Put right.")

    @work(group="asking")
    async def _ask_watch(
        self,
        calls: Sequence[Callable[[], Coroutine[object, object, None]]],
        said: str,
        then: Callable[[], None] | None = None,
    ) -> None:
        unkept: NotKeptError | None = None
        try:
            for call in calls:
                try:
                    await call()
                except NotKeptError as error:
                    unkept = error
        except ControlError as error:
            self.tell(f"The watch did not take it: {error}", severity="error")
        else:
            if unkept is None:
                self.tell(said)
            else:
                self.tell(f"{said} ({unkept})", severity="warning")
            if then is not None:
                then()

    def tell(self, text: str, severity: Literal["information", "warning", "error"] = "information") -> None:
        """Show a short notice; never as markup."""
        timeout = _GOOD_NEWS_S if severity == "information" else self.NOTIFICATION_TIMEOUT
        self.notify(text, severity=severity, markup=False, timeout=timeout)

    def get_system_commands(self, screen: Screen[Any]) -> Iterable[SystemCommand]:
        """Yield the commands of the palette (Ctrl+P)."""
        for name, (title, tooltip) in _PAGE_COMMANDS.items():
            if name in self.page_keys:
                yield SystemCommand(title, tooltip, partial(self.action_page, name))
        yield SystemCommand("Help", "What this page shows, and its keys", self.action_help)
        yield SystemCommand("Picture", "Save this page as an SVG file", lambda: self.save_picture())
        yield SystemCommand("Quit", "Close the screen; the watch goes on", self.exit)
        if isinstance(screen, Page):
            for binding in screen.BINDINGS:
                if isinstance(binding, Binding) and (binding.show or binding.action == "export"):
                    action = partial(screen.run_action, binding.action)
                    title = binding.description[0].upper() + binding.description[1:]
                    yield SystemCommand(title, binding.tooltip, partial(self.call_later, action))

    def save_picture(self) -> None:
        """Save the page on top as an SVG file in the current folder."""
        try:
            path = self.save_screenshot(path=".")
        except OSError as error:
            self.tell(f"The picture could not be saved: {error}", severity="error")
        else:
            self.tell(f"Saved as {path}")


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "screen"  # an account without a name, as in some containers
