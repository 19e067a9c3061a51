"""The night in a few words, for a message in the morning."""

from dataclasses import dataclass

from tankwatch.review.review import RoomReview, TankReview
from tankwatch.safetext import safe_text


@dataclass(frozen=True, slots=True)
class NightTold:
    """What a message may say of the night; most pressing first, so that the end may be cut."""

    title: str
    text: str
    needs_attention: bool


def tell_night(review: RoomReview) -> NightTold:
    """Return one line that all was quiet, or what needs attention and nothing else."""
    room = safe_text(review.room, 30)
    bad = [tank for tank in review.tanks if tank.needs_attention]
    count = len(review.tanks)
    if not review.needs_attention:
        tanks = "1 tank" if count == 1 else f"all {count} tanks"
        return NightTold(f"{room}: a quiet night", f"{review.span.title}: quiet, {tanks}.", False)
    parts = [*review.reasons, *(_tank(tank) for tank in bad)]
    title = f"{room}: the night needs a look"
    return NightTold(title, f"{review.span.title}, {len(bad)} of {count} tanks: {'; '.join(parts)}.", True)


def _tank(review: TankReview) -> str:
    tank, water = review.tank, review.water
    name = tank.id if tank.label == tank.id else f"{tank.label} ({tank.id})"
    text = f"{safe_text(name, 40)}: {', '.join(review.reasons)}"
    return text if water is None else f"{text}, {water.least_c:.1f} to {water.greatest_c:.1f} °C"
