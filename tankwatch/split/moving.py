"""Reading what a tank brings along from the watch that held it: what was learned, its alarms, what was told.

On one machine that stands in the other watch's store, which may be read while it is written and after its
watch was killed. From another machine it comes by the central store, as far as that watch forwarded it.
"""

import logging
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from tankwatch.alarms.model import Alarm
from tankwatch.config import Config
from tankwatch.config_split import seen_by, store_of
from tankwatch.errors import StoreError, UsageError
from tankwatch.split.portion import Moved, tanks_of
from tankwatch.store.room_reader import RoomReader, open_reader

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Found:
    """What stands in one store."""

    learned: Mapping[str, Any]
    alarms: tuple[Alarm, ...]
    cases: Mapping[str, Any]


NOTHING = Found({}, (), {})


class Mover:
    """Reads for one watch what its new tanks bring along."""

    def __init__(self, config: Config, *, memory_key: str, told_key: str) -> None:
        """Read for the watch of `config`; the keys are those of the store's memory."""
        self._config = config
        self._memory_key, self._told_key = memory_key, told_key

    def read(self, taken: Mapping[str, tuple[int, str | None]]) -> dict[str, Moved]:
        """Return what each tank brings, by tank; `taken` holds its token and who had it before."""
        me = self._config.watch_name
        own = self._found(me)
        if any(before is None for _, before in taken.values()):
            last = self._last_stored()
            taken = {t: (token, before or last.get(t)) for t, (token, before) in taken.items()}
        found: dict[str | None, Found] = {me: own}
        moved: dict[str, Moved] = {}
        for tank, (token, before) in taken.items():
            if before not in found:
                found[before] = self._found(before)
            there = found[before]
            alarms = tanks_of(there.alarms, tank)
            numbers = {alarm.alarm_id for alarm in alarms}
            over = tuple(a for a in tanks_of(own.alarms, tank) if a.alarm_id not in numbers)
            cases = {str(n): there.cases[str(n)] for n in numbers if str(n) in there.cases}
            is_new = before != me
            moved[tank] = Moved(token, before, there.learned.get(tank), alarms, is_new, over, cases)
        return moved

    def _last_stored(self) -> dict[str, str]:
        """Return by tank the watch whose store has its newest reading, where new leases do not say it."""
        newest: dict[str, tuple[float, str]] = {}
        whole = self._config.whole
        for watch in whole.split.watches if whole.split is not None else ():
            path = store_of(whole.store.path, watch)
            if not path.is_file():
                continue
            try:
                values = open_reader(path, whole.room.slug).last_values()
            except StoreError as error:
                log.warning("the store of watch %s cannot be read: %s", watch, error)
                continue
            for (tank, _), (time_s, _) in values.items():
                newest[tank] = max(newest.get(tank, (time_s, watch)), (time_s, watch))
        return {tank: watch for tank, (_, watch) in newest.items()}

    def _found(self, watch: str | None) -> Found:
        try:
            reader = self._reader(watch)
            if reader is None:
                return NOTHING
            told = reader.memory(self._told_key) or {}
            cases = dict(told.get("cases", {}))
            for message in reader.outbox("waiting"):
                # Made and not delivered: whoever had it may be dead, so it is told anew.
                for number in message.content.get("alarms", ()):
                    if str(number) in cases:
                        cases[str(number)] = {**cases[str(number)], "told": {}}
            return Found(reader.memory(self._memory_key) or {}, tuple(reader.standing_alarms()), cases)
        except (StoreError, UsageError) as error:
            log.warning(
                "what was learned by watch %s is not to be had, and is learned anew: %s", watch, error
            )
            return NOTHING

    def _reader(self, watch: str | None) -> RoomReader | None:
        whole = self._config.whole
        path = whole.store.path if watch is None else store_of(whole.store.path, watch)
        if path.is_file():
            return open_reader(path, whole.room.slug)
        if watch is None:
            return None  # never held by anybody, and never watched undivided
        if self._config.forward is None:
            raise StoreError(f"no store at {path}, and no [forward] that would bring it from another machine")
        return open_reader(self._config.forward.url, seen_by(whole, watch).room.slug)
