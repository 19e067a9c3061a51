"""Priority by the time that is left: the sooner the limit is reached, the sooner someone must act.

ANSI/ISA-18.2 derives priority from the consequence and the time to respond; the minutes are this program's
own (common practice, no published source): half an hour is what a person woken at night needs to get there.
"""

from tankwatch.alarms.model import Priority

CRITICAL_BELOW_MIN = 30.0
HIGH_BELOW_MIN = 120.0


def by_time_left(priority: Priority, margin_min: float | None) -> Priority:
    """Return `priority`, raised if fewer minutes are left than it allows.

    None: nothing is known of the time left. Zero: the limit is passed already, and the rule that said so has
    judged by how far.
    """
    if margin_min is None or not 0.0 < margin_min < HIGH_BELOW_MIN:
        return priority
    least = Priority.CRITICAL if margin_min < CRITICAL_BELOW_MIN else Priority.HIGH
    return max(priority, least, key=lambda p: p.rank)
