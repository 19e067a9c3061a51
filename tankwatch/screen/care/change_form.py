"""The form of a change of water."""

from typing import ClassVar

from tankwatch.care.change import ChangePlan, plan_change
from tankwatch.care.known import Known
from tankwatch.care.season import Season
from tankwatch.errors import UsageError
from tankwatch.screen.care.form import (
    PLAN_KIND,
    Entry,
    Field,
    FieldError,
    Form,
    Words,
    Worked,
    as_text,
    explained,
    sections_of,
    with_note,
)

CHANGE_KIND = "change"
"""Kind of a log entry that is a change of water."""
_NOT_YET, _DONE = "not yet", "yes"
_HELP = {
    "volume": ("Litres of water really in the tank: without gravel, stones and the space above the surface."),
    "water": "What the tank's own water is at now, °C; the newest reading of the probe stands there.",
    "new": "What the new water is at when it goes in, °C. Measure it in the bucket.",
    "share": (
        "How much of the tank's water is changed, in percent. Empty: the usual share of the "
        "season. Less is better than more."
    ),
    "limit": (
        "How far the tank's temperature may move in one change, °C. The share is cut so that it stays below."
    ),
    "season": "In summer larger changes are borne, in winter small ones, often.",
    "hot": (
        "If the new water is mixed from two taps: what the hot one gives, °C. Empty where it is not mixed."
    ),
    "cold": (
        "If the new water is mixed from two taps: what the cold one gives, °C. Empty where it is not mixed."
    ),
    "done": (
        "A plan is kept in the care log as a plan. Say yes when the new water really is in: only then it "
        "is kept as a change of water."
    ),
    "note": "Anything worth remembering; it stands in the care log with the change.",
}
"""What F1 says of each field."""


class ChangeForm(Form):
    """How much, how warm, and what it does to the tank."""

    name: ClassVar[str] = "change"
    remembered: ClassVar[tuple[str, ...]] = ("limit", "hot", "cold")

    def __init__(self, tank: str, known: Known) -> None:
        """Take what is known of the tank called `tank`."""
        self.title = f"Change of water in {tank}"
        self._known = known
        self.fields = explained(
            _HELP,
            Field("volume", "water in the tank", "L", as_text(known.volume_l)),
            Field("water", "its temperature", "°C", as_text(known.water_c)),
            Field("new", "the new water", "°C"),
            Field("share", "share; empty: usual", "%"),
            Field("limit", "limit of change", "°C", as_text(known.limit_k or 1.5)),
            Field("season", "season", "", str(known.season or Season.BETWEEN), tuple(str(s) for s in Season)),
            Field("hot", "hot tap, if mixed", "°C"),
            Field("cold", "cold tap, if mixed", "°C"),
            Field("done", "is the new water in?", "", _NOT_YET, (_NOT_YET, _DONE)),
            Field("note", "note"),
        )

    def planned(self, words: Words) -> tuple[float, float]:
        """Return litres and temperature (°C) of the new water that these words plan.

        Raises:
            UsageError: something is missing or cannot be.
        """
        return self._plan(words).planned_l, self.needed(words, "new")

    def work(self, words: Words) -> Worked:
        """Plan the change.

        Raises:
            UsageError: something is missing or cannot be.
        """
        plan = self._plan(words)
        if plan.planned_l <= 0.0:
            raise UsageError("no water can be changed within these limits")
        water_c, new_c = self.needed(words, "water"), self.needed(words, "new")
        text = (
            f"{plan.planned_l:.1f} L ({100 * plan.planned_share:.0f} %) of {new_c:g} °C "
            f"into {water_c:g} °C, to {plan.mixed_c:.2f} °C"
        )
        is_done = self.text(words, "done") == _DONE
        kind, text = (CHANGE_KIND, text) if is_done else (PLAN_KIND, f"planned: {text}")
        return Worked(sections_of(plan), Entry(kind, with_note(text, self.text(words, "note"))))

    def _plan(self, words: Words) -> ChangePlan:
        share = self.number(words, "share")
        if share is not None and not 0.0 < share <= 100.0:
            raise FieldError("share", f"share: expected more than 0 and at most 100 %, got {share:g}")
        known = self._known
        return plan_change(
            volume_l=self.needed(words, "volume"),
            water_c=self.needed(words, "water"),
            new_water_c=self.needed(words, "new"),
            share=None if share is None else share / 100.0,
            limit_k=self.needed(words, "limit"),
            low_c=known.low_c,
            high_c=known.high_c,
            season=Season(self.text(words, "season")),
            heater_w=known.heater_w,
            loss_w_per_k=known.loss_w_per_k,
            room_c=known.room_c,
            hot_tap_c=self.number(words, "hot"),
            cold_tap_c=self.number(words, "cold"),
        )
