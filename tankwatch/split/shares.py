"""Which watch should have which tank: pure, the same answer on every machine.

By rendezvous (highest random weight; D. G. Thaler and C. V. Ravishankar, IEEE/ACM Transactions on Networking
6 (1998) 1): each pair of watch and tank has a weight, and the watch of the highest weight has the tank. When
a watch goes, only its tanks move, spread over the others; when it comes back, only those come back.
"""

import hashlib
from collections.abc import Iterable, Mapping
from functools import lru_cache


@lru_cache(maxsize=1_000_000)
def weight(watch: str, tank: str) -> int:
    """Return the weight of a pair, 0 to 2**64 - 1: the first 8 bytes of BLAKE2b (RFC 7693), big-endian."""
    return int.from_bytes(hashlib.blake2b(f"{watch}\0{tank}".encode(), digest_size=8).digest(), "big")


def preferred(tank: str, live: Iterable[str], listed: Mapping[str, str]) -> str | None:
    """Return the watch of `live` that should have `tank`; None where none lives.

    `listed`: the watch by tank, where the configuration says it. While that one does not live its tanks are
    spread as if they were not listed.
    """
    watches = tuple(live)
    wanted = listed.get(tank)
    if wanted in watches:
        return wanted
    return max(watches, key=lambda watch: (weight(watch, tank), watch), default=None)
