"""`[keys]`: which key does what on the screen, by the id of what is done.

The ids and their usual keys stand here, without anything that draws, so that a wrong configuration is refused
by every command.
"""

import difflib
import re
from typing import Annotated

from pydantic import AfterValidator

DEFAULT_KEYS: dict[str, str] = {
    "help": "f1,question_mark",
    "page.room": "r",
    "page.alarms": "a",
    "page.night": "g",
    "page.sources": "o",
    "page.health": "h",
    "page.rooms": "u",
    "quit": "q,ctrl+q",
    "rooms.open": "enter",
    "rooms.export": "e",
    "rooms.up": "up",
    "rooms.down": "down",
    "rooms.page_up": "pageup",
    "rooms.page_down": "pagedown",
    "room.open": "enter",
    "room.filter": "slash",
    "room.sort": "s",
    "room.acknowledge": "k",
    "room.export": "e",
    "room.clear": "escape",
    "room.left": "left",
    "room.right": "right",
    "room.up": "up",
    "room.down": "down",
    "room.first": "home",
    "room.page_up": "pageup",
    "room.page_down": "pagedown",
    "tank.back": "escape",
    "tank.acknowledge": "k",
    "tank.service": "s",
    "tank.care": "c",
    "tank.closer": "plus,equals_sign",
    "tank.longer": "minus",
    "tank.cursor_left": "left",
    "tank.cursor_right": "right",
    "tank.leap_left": "b",
    "tank.leap_right": "f",
    "tank.go_to": "t",
    "tank.earlier": "comma",
    "tank.later": "full_stop",
    "tank.now": "end",
    "tank.close_up": "y",
    "tank.note": "l",
    "tank.export": "e",
    "tank.weeks": "w",
    "tank.next": "n",
    "tank.previous": "p",
    "tank.up": "up",
    "tank.down": "down",
    "tank.page_up": "pageup",
    "tank.page_down": "pagedown",
    "care.back": "escape",
    "care.open": "enter",
    "care.change": "c",
    "care.fill": "d",
    "care.test": "t",
    "care.look": "f",
    "care.note": "l",
    "care.service": "s",
    "care.sheet": "e",
    "care.up": "up",
    "care.down": "down",
    "care.page_up": "pageup",
    "care.page_down": "pagedown",
    "alarms.back": "escape",
    "alarms.acknowledge": "k",
    "alarms.acknowledge_all": "K",
    "alarms.open": "enter",
    "alarms.record": "v",
    "alarms.shelve": "s",
    "alarms.out_of_service": "x",
    "alarms.bring_back": "b",
    "alarms.reset": "f",
    "alarms.export": "e",
    "alarms.up": "up",
    "alarms.down": "down",
    "alarms.page_up": "pageup",
    "alarms.page_down": "pagedown",
    "night.back": "escape",
    "night.open": "enter",
    "night.play": "space",
    "night.incident": "i",
    "night.earlier": "left",
    "night.later": "right",
    "night.faster": "plus,equals_sign",
    "night.slower": "minus",
    "night.begin": "home",
    "night.before": "comma",
    "night.after": "full_stop",
    "night.export": "e",
    "night.weeks": "w",
    "night.up": "up",
    "night.down": "down",
    "night.page_up": "pageup",
    "night.page_down": "pagedown",
    "weeks.back": "escape,q",
    "weeks.up": "up",
    "weeks.down": "down",
    "weeks.page_up": "pageup",
    "weeks.page_down": "pagedown",
    "sources.back": "escape",
    "sources.export": "e",
    "sources.up": "up",
    "sources.down": "down",
    "sources.page_up": "pageup",
    "sources.page_down": "pagedown",
    "health.back": "escape",
    "health.up": "up",
    "health.down": "down",
    "health.page_up": "pageup",
    "health.page_down": "pagedown",
    "service.work": "1",
    "service.water_out": "2",
    "service.cancel": "escape",
    "service_end.yes": "y",
    "service_end.not_yet": "n,escape",
    "note.cancel": "escape",
    "away.down": "down",
    "away.up": "up",
    "away.cancel": "escape",
    "form.keep": "ctrl+s",
    "form.count": "ctrl+g",
    "form.cancel": "escape",
    "form.down": "down",
    "form.up": "up",
    "form.page_up": "pageup",
    "form.page_down": "pagedown",
    "choice.next": "right,space",
    "choice.before": "left",
    "gill.beat": "space",
    "gill.done": "enter",
    "gill.again": "backspace",
    "gill.cancel": "escape",
    "lift.next": "enter",
    "lift.stop": "escape",
    "help.close": "escape,f1,q,enter",
    "help.up": "up",
    "help.down": "down",
    "help.page_up": "pageup",
    "help.page_down": "pagedown",
    "listen.start": "enter",
    "listen.down": "down",
    "listen.up": "up",
    "listen.cancel": "escape",
    "heard.write": "w",
    "heard.back": "escape",
    "heard.up": "up",
    "heard.down": "down",
    "heard.page_up": "pageup",
    "heard.page_down": "pagedown",
    "first.listen": "l",
    "first.write": "w",
    "first.quit": "q,escape,ctrl+q",
    "first.up": "up",
    "first.down": "down",
}
"""Usual keys by id; several are parted by commas."""

ON_ALL_PAGES = (
    "help",
    "page.room",
    "page.alarms",
    "page.night",
    "page.sources",
    "page.health",
    "page.rooms",
    "quit",
)
"""Ids of keys that every page answers to."""
_PAGES = ("rooms", "room", "tank", "care", "alarms", "night", "sources", "health")
_WITH_HELP = (
    "service",
    "service_end",
    "note",
    "away",
    "form",
    "choice",
    "gill",
    "lift",
    "listen",
    "heard",
    "weeks",
)
"""Dialogs: they answer to `help` as well."""
_WRITTEN_IN = ("note", "away", "form", "listen")
"""Places with a line to write in: a letter there is a letter."""
_EVERY_TERMINAL = re.compile(
    r"[a-zA-Z0-9]|f([1-9]|1[0-2])|ctrl\+[a-z]|up|down|left|right|home|end|pageup|pagedown|enter|escape|space"
    r"|backspace|plus|minus|equals_sign|comma|full_stop|slash|question_mark"
)


def keys_in(text: str) -> list[str]:
    """Return the keys of a setting such as `f1,question_mark`."""
    return [key.strip() for key in text.split(",")]


def _check(keys: dict[str, str]) -> dict[str, str]:
    for ident, text in keys.items():
        if ident not in DEFAULT_KEYS:
            close = difflib.get_close_matches(ident, DEFAULT_KEYS, n=1, cutoff=0.5)
            hint = f" (did you mean {close[0]!r}?)" if close else ""
            raise ValueError(f"nothing on the screen is called {ident!r}{hint}; F1 shows each page's keys")
        for key in keys_in(text):
            if not _EVERY_TERMINAL.fullmatch(key):
                raise ValueError(
                    f"{ident}: not every terminal sends {key!r}; expected a letter, a digit, f1 to f12, "
                    "ctrl+letter, or a name such as slash, comma, space, enter, left or pageup"
                )
            if _scope(ident) in _WRITTEN_IN and (len(key) == 1 or key in ("space", "backspace")):
                raise ValueError(f"{ident}: {key!r} is needed for writing there; expected ctrl+letter or so")
    _refuse_doubles(DEFAULT_KEYS | keys)
    return {ident: ",".join(keys_in(text)) for ident, text in keys.items()}


def _refuse_doubles(keys: dict[str, str]) -> None:
    for place in dict.fromkeys(_scope(ident) for ident in DEFAULT_KEYS if ident not in ON_ALL_PAGES):
        taken: dict[str, str] = {}
        here = [ident for ident in keys if ident not in ON_ALL_PAGES and _scope(ident) == place]
        everywhere = ON_ALL_PAGES if place in _PAGES else ("help",) if place in _WITH_HELP else ()
        for ident in (*here, *everywhere):
            for key in keys_in(keys[ident]):
                if key in taken:
                    raise ValueError(
                        f"{key!r} would mean both {taken[key]} and {ident}; give one another key"
                    )
                taken[key] = ident


def _scope(ident: str) -> str:
    return ident.partition(".")[0]


KEYS = Annotated[dict[str, str], AfterValidator(_check)]
"""Keys by id, checked."""
