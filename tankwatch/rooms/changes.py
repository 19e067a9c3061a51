"""What of a room must be sent now: only what changed, alarms at once, and never more than was agreed.

A status is due when what it says has become another thing to a keeper (an alarm, work, a value gone stale);
when a value has moved by a step and the last status is old enough; or when the last one is so old that a
reader could no longer tell quiet from forgotten. What there is no room for now stays due, as it will be then.
"""

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, NamedTuple

from tankwatch.alarms.model import Alarm, AlarmState
from tankwatch.config_rooms import PublishConfig
from tankwatch.reading import ON_OFF_CHANNELS
from tankwatch.rooms.documents import (
    LEAST,
    LONGEST_KEY,
    LONGEST_TEXT,
    MOST,
    TANKS_AT_MOST,
    Permits,
    State,
    TankStatus,
)
from tankwatch.rooms.topics import OF_NO_TANK
from tankwatch.safetext import safe_json
from tankwatch.snapshot import RoomSnapshot, TankSnapshot

STATUS_EXPIRES_S = 86_400
"""A broker forgets a status that was not renewed for a day; the sign of life stays."""
_PERMITTED = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED})


class Message(NamedTuple):
    """One retained message below the room's topic."""

    name: str
    payload: bytes
    expires_s: int


@dataclass(frozen=True, slots=True)
class Permit:
    """A token for one alarm."""

    token: str
    expires_s: float
    """By the watch's time that only flows, s."""
    renew_s: float


@dataclass(frozen=True, slots=True)
class _Item:
    """What one topic would say now."""

    name: str
    news: object
    """Sent at once when it differs from what was sent."""
    detail: object
    """Sent when it differs, but not more often than statuses may be."""
    make: Callable[[], bytes]
    water_c: float | None = None
    renewed: bool = True
    expires_s: int = STATUS_EXPIRES_S
    rank: int = 1
    """Lower goes first."""


@dataclass(slots=True)
class _Sent:
    at_s: float
    news: object
    detail: object
    water_c: float | None


class Changes:
    """Remembers what a broker was told over one connection, and says what it must be told next."""

    def __init__(
        self,
        config: PublishConfig,
        run: str,
        started_s: float,
        *,
        permit: Callable[[int], Permit] | None = None,
    ) -> None:
        """Begin with nothing told. `started_s`: monotonic time of the run's begin; `permit` makes tokens."""
        self._config = config
        self._run = run
        self._started_s = started_s
        self._permit = permit
        self._permits: dict[int, Permit] = {}
        self._sent: dict[str, _Sent] = {}
        self._allowance = 0.0
        self._looked_s: float | None = None

    def look(self, snapshot: RoomSnapshot, now_s: float) -> list[Message]:
        """Return what is to be sent of `snapshot` at the monotonic time `now_s`, most urgent first."""
        rate = self._config.messages_per_s
        passed_s = 1.0 if self._looked_s is None else now_s - self._looked_s
        self._looked_s = now_s
        self._allowance = min(2.0 * rate, self._allowance + rate * passed_s)
        due = [(order, item) for item in self._items(snapshot, now_s) if (order := self._order(item, now_s))]
        due.sort(key=lambda found: found[0])
        messages = []
        for _, item in due:
            if self._allowance < 1.0:
                break
            self._allowance -= 1.0
            self._sent[item.name] = _Sent(now_s, item.news, item.detail, item.water_c)
            messages.append(Message(item.name, item.make(), item.expires_s))
        return messages

    def _order(self, item: _Item, now_s: float) -> tuple[int, int, float] | None:
        """Return where an item stands in the queue, or None if it is not due."""
        sent = self._sent.get(item.name)
        if sent is None:
            return (0, item.rank, 0.0) if item.renewed or item.news else None
        if sent.news != item.news:
            return (0, item.rank, sent.at_s)
        if not item.renewed:
            return None
        age_s = now_s - sent.at_s
        if age_s >= self._config.full_every_s:
            return (1, item.rank, sent.at_s)
        if age_s >= self._config.tank_every_s and (
            sent.detail != item.detail or _moved(sent.water_c, item.water_c, self._config.step_c)
        ):
            return (2, item.rank, sent.at_s)
        return None

    def _items(self, snapshot: RoomSnapshot, now_s: float) -> Iterable[_Item]:
        up_s = round(now_s - self._started_s, 3)
        tanks = snapshot.tanks[:TANKS_AT_MOST]
        alarms: dict[str | None, list[Alarm]] = {}
        for alarm in snapshot.alarms:
            alarms.setdefault(alarm.tank, []).append(alarm)
        own = tuple(alarms.get(None, ()))
        yield self._state_item(snapshot, tanks, own, up_s)
        for tank in tanks:
            yield self._tank_item(tank, tuple(alarms.get(tank.tank_id, ())), snapshot.time_s, up_s)
        if self._permit is None:
            return
        open_alarms = [alarm for alarm in snapshot.alarms if alarm.state in _PERMITTED and alarm.alarm_id > 0]
        self._renew_permits(self._permit, open_alarms, now_s)
        by_tank: dict[str, list[int]] = {}
        for alarm in open_alarms:
            by_tank.setdefault(alarm.tank or OF_NO_TANK, []).append(alarm.alarm_id)
        known = {name.partition("/")[2] for name in self._sent if name.startswith("permit/")}
        for place in sorted(known | by_tank.keys()):
            yield self._permit_item(place, by_tank.get(place, []), now_s)

    def _state_item(
        self, snapshot: RoomSnapshot, tanks: tuple[TankSnapshot, ...], own: tuple[Alarm, ...], up_s: float
    ) -> _Item:
        ids = tuple(tank.tank_id for tank in tanks)

        def make() -> bytes:
            return _line(
                State(
                    run=self._run,
                    up_s=up_s,
                    time_s=snapshot.time_s,
                    room=snapshot.room,
                    timezone=snapshot.timezone,
                    version=snapshot.version,
                    started_s=snapshot.started_s,
                    tanks=ids,
                    left_out=len(snapshot.tanks) - len(tanks),
                    alarms=own,
                    sources=snapshot.sources,
                    store=snapshot.store,
                )
            )

        sources = tuple((source.source_id, source.state) for source in snapshot.sources)
        news = (ids, _standing(own), sources, snapshot.store.state)
        return _Item("state", news, tuple(alarm.message for alarm in own), make, rank=0)

    def _tank_item(self, tank: TankSnapshot, alarms: tuple[Alarm, ...], time_s: float, up_s: float) -> _Item:
        def make() -> bytes:
            return _line(TankStatus(run=self._run, up_s=up_s, time_s=time_s, tank=tank, alarms=alarms))

        water = tank.values.get("temperature")
        news = (
            _standing(alarms),
            tank.service,
            tuple((name, value.stale, value.retained) for name, value in tank.values.items()),
        )
        switched = tuple(tank.values[name].value > 0.5 for name in _ON_OFF if name in tank.values)
        detail = (switched, tuple(alarm.message for alarm in alarms))
        return _Item(
            f"tank/{tank.tank_id}",
            news,
            detail,
            make,
            water_c=None if water is None else water.value,
            rank=1 if alarms else 2,
        )

    def _permit_item(self, place: str, numbers: list[int], now_s: float) -> _Item:
        permits = {number: self._permits[number] for number in numbers}
        left_s = min((permit.expires_s for permit in permits.values()), default=now_s) - now_s

        def make() -> bytes:
            # Without anything to permit the topic is emptied: a broker then keeps nothing there.
            tokens = {number: permit.token for number, permit in permits.items()}
            return _line(Permits(run=self._run, tokens=tokens)) if tokens else b""

        news = tuple((number, permit.token) for number, permit in permits.items())
        return _Item(
            f"permit/{place}", news, None, make, renewed=False, expires_s=max(1, int(left_s)), rank=1
        )

    def _renew_permits(self, permit: Callable[[int], Permit], alarms: Iterable[Alarm], now_s: float) -> None:
        kept = {}
        for alarm in alarms:
            old = self._permits.get(alarm.alarm_id)
            kept[alarm.alarm_id] = old if old and now_s < old.renew_s else permit(alarm.alarm_id)
        self._permits = kept


_ON_OFF = tuple(sorted(channel.value for channel in ON_OFF_CHANNELS))


def _standing(alarms: Iterable[Alarm]) -> tuple[tuple[object, ...], ...]:
    return tuple((alarm.alarm_id, alarm.state, alarm.priority, alarm.holds) for alarm in alarms)


def _moved(before_c: float | None, now_c: float | None, step_c: float) -> bool:
    if before_c is None or now_c is None:
        return before_c is not now_c
    return abs(now_c - before_c) >= max(step_c, 1e-9)


def _line(document: State | TankStatus | Permits) -> bytes:
    content = document.model_dump(mode="json", exclude_defaults=True)
    return safe_json({"v": 1} | _fit(content), tight=True).encode()


def _fit(node: Any) -> Any:
    """Return `node` within the bounds that a reader sets, its numbers cut to a thousandth.

    A status carries no more digits than are shown; and one number or text out of bounds must not cost a room
    the sight of the whole tank.
    """
    if isinstance(node, float):
        return None if math.isnan(node) else round(min(max(node, LEAST), MOST), 3)
    if isinstance(node, str):
        return node[:LONGEST_TEXT]
    if isinstance(node, dict):
        return {key[:LONGEST_KEY]: _fit(value) for key, value in node.items()}
    return [_fit(item) for item in node] if isinstance(node, list) else node
