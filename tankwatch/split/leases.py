"""Leases: which watch lives, and which watch holds each tank, decided purely from the rows of one table.

Whoever keeps the table (`SqliteLeases`, `PostgresLeases`) does one thing: lock it, read it, ask `decide`,
write what is new, unlock. So there is one set of rules, tested without any store. Time is the keeper's own.

A watch has a lease, renewed as a whole, and a row for each tank names its holder. Hashing alone would not do:
two watches that see different sets of live watches for a moment would both take a tank. A row changes hands
only when its holder's lease is over or the holder has let go, and its token grows each time.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Protocol

from tankwatch.split.shares import preferred

TOGETHER_S = 5.0
"""The tanks of a dead watch are taken by several others, each at its own next look."""


@dataclass(frozen=True, slots=True)
class Lease:
    """One watch. `run` tells one process of that name from the next."""

    name: str
    run: str
    since_s: float
    """Since when it has lived without a break."""
    until_s: float


@dataclass(frozen=True, slots=True)
class Hold:
    """One tank: who holds it, by which run, since when."""

    tank: str
    holder: str | None
    """None: let go by `before`, and free."""
    run: str
    token: int
    """Grows each time the tank changes hands."""
    before: str | None
    """Who held it before, and so has what was learned of it."""
    since_s: float


@dataclass(frozen=True, slots=True)
class Request:
    """What a watch asks for at each turn."""

    name: str
    run: str
    lease_s: float
    tanks: tuple[str, ...]
    listed: Mapping[str, str] = field(default_factory=dict)
    release: Mapping[str, int] = field(default_factory=dict)
    """Tanks to let go, with the tokens by which they are held."""
    leaves: bool = False
    """The watch stops: it lets go of everything, and of its lease."""
    replaces: bool = False
    """An earlier run of the same name is known to be dead."""


@dataclass(frozen=True, slots=True)
class Standing:
    """What a watch learns at each turn."""

    now_s: float
    mine: Mapping[str, Hold]
    hand_over: frozenset[str] = frozenset()
    """Tanks of mine that another watch should have: to be let go when they are tidied up."""
    holders: Mapping[str, str] = field(default_factory=dict)
    """Every tank that is held, and by whom."""
    live: tuple[str, ...] = ()
    last_taken: tuple[Hold, ...] = ()
    """The tanks that changed hands last, about the same time."""


@dataclass(frozen=True, slots=True)
class Rows:
    """The whole table at one moment."""

    now_s: float
    leases: Mapping[str, Lease]
    holds: Mapping[str, Hold]


class LeasesError(Exception):
    """The leases cannot be reached; says why."""


class Leases(Protocol):
    """Where every watch of a room reaches the same table."""

    def turn(self, request: Request) -> Standing:
        """Renew, let go, and take what is free, in one step that no other watch sees half of.

        Raises:
            LeasesError: the table cannot be reached.
        """
        ...

    def look(self, request: Request) -> bool:
        """Tell, without changing anything, whether `turn` would do more than renew.

        Raises:
            LeasesError: the table cannot be reached.
        """
        ...

    def close(self) -> None:
        """Let go of connections; the leases stay as they are."""
        ...


def decide(rows: Rows, request: Request) -> tuple[Lease | None, list[Hold], Standing]:
    """Return the lease to write (None: another run of this name lives), the holds to write, what stands."""
    now_s, me = rows.now_s, request.name
    old = rows.leases.get(me)
    others = {lease.name: lease for lease in rows.leases.values() if lease.until_s > now_s}
    others.pop(me, None)
    if old is not None and old.run != request.run and old.until_s > now_s and not request.replaces:
        holders = _holders(rows, {**others, me: old})
        return None, [], Standing(now_s, {}, holders=holders, live=_names(others, me))
    unbroken = old is not None and old.run == request.run and old.until_s > now_s
    since_s = old.since_s if old is not None and unbroken else now_s
    lease = Lease(me, request.run, since_s, now_s if request.leaves else now_s + request.lease_s)
    live = {**others, me: lease}
    # One that has just come must have lived for a lease before tanks move to it: else a watch that dies
    # again and again would pull its tanks to and fro.
    steady = [n for n, other in live.items() if n == me or now_s - other.since_s >= request.lease_s]
    changed: list[Hold] = []
    mine: dict[str, Hold] = {}
    hand_over: set[str] = set()
    for tank in request.tanks:
        hold = rows.holds.get(tank)
        holder = None if hold is None else _holder(hold, live)
        if hold is not None and holder == me:
            if request.leaves or request.release.get(tank) == hold.token:
                changed.append(replace(hold, holder=None, before=me))
                continue
            mine[tank] = hold
            if preferred(tank, steady, request.listed) != me:
                hand_over.add(tank)
        elif holder is None and not request.leaves and preferred(tank, live, request.listed) == me:
            before = None if hold is None else hold.holder or hold.before
            token = 1 if hold is None else hold.token + 1
            mine[tank] = Hold(tank, me, request.run, token, before, now_s)
            changed.append(mine[tank])
    after = {**rows.holds, **{hold.tank: hold for hold in changed}}
    newest_s = max((hold.since_s for hold in after.values()), default=0.0)
    standing = Standing(
        now_s,
        mine,
        frozenset(hand_over),
        _holders(Rows(now_s, live, after), live),
        _names(others, me),
        tuple(h for h in after.values() if newest_s - h.since_s <= TOGETHER_S and h.holder is not None),
    )
    return lease, changed, standing


def _holder(hold: Hold, live: Mapping[str, Lease]) -> str | None:
    lease = live.get(hold.holder or "")
    return hold.holder if lease is not None and lease.run == hold.run else None


def _holders(rows: Rows, live: Mapping[str, Lease]) -> dict[str, str]:
    found = {tank: _holder(hold, live) for tank, hold in rows.holds.items()}
    return {tank: holder for tank, holder in found.items() if holder is not None}


def _names(others: Mapping[str, Lease], me: str) -> tuple[str, ...]:
    return tuple(sorted({*others, me}))


def asks_for_more(rows: Rows, request: Request) -> bool:
    """Tell whether a turn on these rows would do more than renew."""
    lease, changed, standing = decide(rows, request)
    return lease is None or bool(changed or standing.hand_over)
