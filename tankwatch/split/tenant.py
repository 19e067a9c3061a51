"""The thread that keeps a watch's lease: renews it, takes what is free, hands over what others should have.

How long a tank may be without a watch, for a lease of L seconds. A lease is renewed each L/3 and counted by
its holder from before it asked, by the keeper of the leases from after: the holder stops at L less a tenth,
so always first, as long as the two clocks do not differ in rate by a tenth. One that dies was renewed at the
latest when it died, so its lease is over L after that; others look each second, and take up its tanks when
they have read what comes with them. So: L, one second, and that reading (waited for L/3 at most), which is
stated as L + 3 s. A judge that hangs is noticed after L/3, and costs so much more.

Where nobody can reach the leases each watch goes on with the tanks it has, and after two leases takes all:
better an alarm that comes twice than a tank that nobody watches.
"""

import logging
import threading
import uuid
from collections import Counter
from collections.abc import Callable, Mapping
from concurrent.futures import TimeoutError as LateError
from dataclasses import replace

from tankwatch.clock import Clock
from tankwatch.config import Config
from tankwatch.snapshot import SplitSnapshot
from tankwatch.split.leases import Leases, LeasesError, Request, Standing
from tankwatch.split.patience import Patience
from tankwatch.split.portion import Change, Moved, Portion

log = logging.getLogger(__name__)

LOOK_S = 1.0
RENEWED_IN_A_LEASE = 3
MARGIN_SHARE = 0.1
"""The holder's lease ends this share earlier than the keeper's."""
ALL_AFTER_LEASES = 2.0
"""Cut off from the leases for so many of them, a watch takes every tank."""
FLUSH_S = 2.0
ON_ONE_S_OWN = -1
"""Token of a tank that was taken without a lease."""

ReadMoved = Callable[[Mapping[str, tuple[int, str | None]]], dict[str, Moved]]


class Tenant:
    """Keeps the lease of one watch of a split room."""

    def __init__(
        self,
        config: Config,
        leases: Leases,
        portion: Portion,
        clock: Clock,
        *,
        read: ReadMoved,
        judge_beat: Callable[[], float],
        flush: Callable[[float], bool],
        replaces: bool,
    ) -> None:
        """Keep the lease of the watch that `config` is seen by; nothing is asked before `start`.

        `read` fetches what tanks bring along, `judge_beat` tells when the judge last came round, `flush` has
        the store written. `replaces`: the store admits one watch of this name only, so an earlier one is
        dead.
        """
        split = config.split
        if split is None or config.watch_name is None:
            raise ValueError("the configuration is not that of one watch of a split room")
        self._leases, self._portion, self._clock = leases, portion, clock
        self._read, self._judge_beat, self._flush = read, judge_beat, flush
        self._lease_s = split.lease_s
        self._renew_s = split.lease_s / RENEWED_IN_A_LEASE
        self._margin_s = split.lease_s * MARGIN_SHARE
        self._look_s = min(LOOK_S, split.lease_s / 6)
        self._request = Request(
            config.watch_name,
            uuid.uuid4().hex,
            split.lease_s,
            tuple(tank.id for tank in config.tank),
            split.listed,
            replaces=replaces,
        )
        self._watches = split.watches
        self._patience = Patience(self._renew_s)
        self._reading = Patience(self._renew_s)
        self._is_second = False
        self._renew_at_s = float("-inf")
        self._failing_since_s: float | None = None
        self._was_stuck = False
        self._last: Standing | None = None
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="tenant", daemon=True)

    def start(self) -> None:
        """Begin to keep the lease."""
        self._thread.start()

    def stop(self, timeout_s: float) -> None:
        """Stop taking tanks; those held stay held until `leave`, or until the lease is over."""
        self._stop.set()
        if self._thread.ident is not None:
            self._thread.join(timeout_s)

    def leave(self) -> None:
        """Let everything go, when the judge has ended and the store is written: others take it at once."""
        self._portion.extend(float("-inf"))
        try:
            self._patience.ask(lambda: self._leases.turn(replace(self._request, leaves=True)))
            self._patience.ask(self._leases.close)
        except LeasesError as error:
            log.warning("the tanks could not be let go; others take them when the lease is over: %s", error)

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                self.step()
            except Exception:
                log.exception("keeping the lease failed; it is tried again")
            self._stop.wait(self._look_s)

    def step(self) -> None:
        """Look once, and do what is due."""
        now_s = self._clock.monotonic_s()
        stuck = now_s - self._judge_beat() > self._renew_s
        if stuck:
            if not self._was_stuck:
                log.error("the judge stands still: its lease is not renewed, so that other watches take over")
            self._was_stuck = stuck
            return
        self._was_stuck = stuck
        try:
            if now_s >= self._renew_at_s or self._patience.ask(lambda: self._leases.look(self._request)):
                self._turn()
        except LeasesError as error:
            self._cut_off(now_s, error)

    def _turn(self) -> None:
        self._settle(self._ask_for(self._request))
        hand_over = self._last.hand_over if self._last is not None else frozenset()
        tokens = {tank: self._portion.holds[tank] for tank in hand_over if tank in self._portion.holds}
        if not tokens:
            return
        log.info("hands over %s", _list(tokens))
        if not self._change(frozenset(tokens), {}, self._portion.until_s):
            return
        if not self._flush(FLUSH_S):
            log.warning("what was learned of tanks that are handed over is not on the disk yet")
        self._settle(self._ask_for(replace(self._request, release=tokens)))

    def _ask_for(self, request: Request) -> tuple[Standing, float]:
        """Return what stands, and until when this watch may believe it."""
        asked_s = self._clock.monotonic_s()  # before asking: the lease's keeper counts from later
        standing = self._patience.ask(lambda: self._leases.turn(request))
        self._renew_at_s = asked_s + self._renew_s
        if self._failing_since_s is not None:
            log.warning("the leases are reached again")
        self._failing_since_s = None
        self._last = standing
        return standing, asked_s + self._lease_s - self._margin_s

    def _settle(self, answer: tuple[Standing, float]) -> None:
        """Make the portion what the leases say."""
        standing, until_s = answer
        is_second = not standing.mine and self._request.name in standing.holders.values()
        if is_second and not self._is_second:
            log.error(
                "another watch named %s runs: this one judges nothing until it ends", self._request.name
            )
        self._is_second = is_second
        holds = self._portion.holds
        mine = {tank: hold.token for tank, hold in standing.mine.items()}
        lost = frozenset(tank for tank, token in holds.items() if mine.get(tank) != token)
        taken = {t: (h.token, h.before) for t, h in standing.mine.items() if holds.get(t) != h.token}
        if not lost and not taken:
            self._portion.extend(until_s)
        elif self._change(lost, self._brought(taken), until_s):
            if lost:
                log.warning("other watches hold now %s", _list(lost))
            if taken:
                log.info("takes %s", _list(taken))
        self._show(standing)

    def _brought(self, taken: Mapping[str, tuple[int, str | None]]) -> Mapping[str, Moved]:
        """Return what tanks bring along; nothing where that takes long: they are unwatched meanwhile."""
        if not taken:
            return {}
        try:
            return self._reading.ask(lambda: self._read(taken))
        except LeasesError as error:
            log.warning("what was learned of %s is not to be had in time: %s", _list(taken), error)
            return {tank: Moved(token, before) for tank, (token, before) in taken.items()}

    def _change(self, lost: frozenset[str], taken: Mapping[str, Moved], until_s: float) -> bool:
        """Have the judge make a change; tell whether it did. What it did not is asked again at the next
        turn."""
        future = self._portion.ask(Change(lost, taken, until_s))
        try:
            future.result(self._renew_s)
        except LateError:
            if future.cancel():
                self._renew_at_s = float("-inf")
                return False
            future.result()
        return True

    def _cut_off(self, now_s: float, error: LeasesError) -> None:
        """Go on without the leases: in doubt for the fish, so never without anybody."""
        if self._failing_since_s is None:
            self._failing_since_s = now_s
            log.error("the leases cannot be reached: %s", error)
        now_s = self._clock.monotonic_s()
        failing_s = now_s - self._failing_since_s
        if failing_s >= self._renew_s:  # not for a lock that was held for a moment
            self._show(self._last, str(error))
        if failing_s < self._renew_s or now_s + self._look_s < self._portion.until_s:
            return
        # Not one that only woke late: it has asked, and asked again, for a third of a lease.
        until_s = now_s + self._lease_s - self._margin_s
        others = [tank for tank in self._request.tanks if tank not in self._portion.holds]
        if failing_s < ALL_AFTER_LEASES * self._lease_s or not others:
            self._portion.extend(until_s)
            return
        log.error("takes all tanks without a lease, since other watches cannot be known to live")
        holders = self._last.holders if self._last is not None else {}
        taken = self._brought({tank: (ON_ONE_S_OWN, holders.get(tank)) for tank in others})
        self._change(frozenset(), taken, until_s)

    def _show(self, standing: Standing | None, trouble: str = "") -> None:
        me = self._request.name
        if standing is None:
            self._portion.snapshot = SplitSnapshot(me, watches=self._watches, trouble=trouble)
            return
        last, last_s = "", 0.0
        if standing.last_taken and standing.last_taken[0].since_s > 0.0:  # 0: before the machine was started
            moves = Counter((hold.before or "nobody", hold.holder) for hold in standing.last_taken)
            last = ", ".join(f"{count} from {old} to {new}" for (old, new), count in sorted(moves.items()))
            newest_s = max(hold.since_s for hold in standing.last_taken)
            last_s = self._clock.wall_s() - (standing.now_s - newest_s)
        self._portion.snapshot = SplitSnapshot(
            me, dict(standing.holders), standing.live, self._watches, last, last_s, trouble
        )


def _list(tanks: "Mapping[str, object] | frozenset[str]") -> str:
    names = sorted(tanks)
    more = f" and {len(names) - 8} more" if len(names) > 8 else ""
    return ", ".join(names[:8]) + more
