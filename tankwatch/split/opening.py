"""Putting together what one watch of a split room needs."""

from collections.abc import Callable
from pathlib import Path

from tankwatch.clock import Clock
from tankwatch.config import Config
from tankwatch.config_split import MOST_WATCHES
from tankwatch.config_types import is_url
from tankwatch.split.leases import Leases
from tankwatch.split.moving import Mover
from tankwatch.split.portion import Portion
from tankwatch.split.sqlite_leases import SqliteLeases
from tankwatch.split.tenant import RENEWED_IN_A_LEASE, Tenant


def open_tenant(
    config: Config,
    portion: Portion,
    clock: Clock,
    *,
    memory_key: str,
    told_key: str,
    judge_beat: Callable[[], float],
    flush: Callable[[float], bool],
) -> Tenant:
    """Return what keeps the lease of the watch that `config` is seen by.

    Raises:
        ValueError: `config` is not that of one watch of a split room.
    """
    leases, replaces = _leases(config, clock)
    mover = Mover(config, memory_key=memory_key, told_key=told_key)
    return Tenant(
        config,
        leases,
        portion,
        clock,
        read=mover.read,
        judge_beat=judge_beat,
        flush=flush,
        replaces=replaces,
    )


def dealt_numbers(config: Config) -> tuple[int, int]:
    """Return which numbers of alarms this watch gives; see `AlarmBook`."""
    if config.split is None or config.watch_name is None:
        return 0, 1
    return config.split.watches.index(config.watch_name), MOST_WATCHES


def _leases(config: Config, clock: Clock) -> tuple[Leases, bool]:
    """Return the leases, and whether an earlier watch of this name is sure to be dead.

    On one machine it is: the store's lock admits one. On several a second one may run by mistake.
    """
    split = config.split
    if split is None:
        raise ValueError("the room is not split")
    if not is_url(split.leases):
        return SqliteLeases(Path(split.leases), clock), True
    from tankwatch.split.postgres_leases import PostgresLeases

    room = config.whole.room.slug
    answer_within_s = split.lease_s / RENEWED_IN_A_LEASE
    return (
        PostgresLeases(
            split.leases, room, answer_within_s=answer_within_s, password_file=split.password_file
        ),
        False,
    )
