"""The form of new water: the conditioner's dose for a bucket, or a filling in lifts, conditioner first."""

import math
import re
from typing import ClassVar

from tankwatch.care.conditioner import ChemicalDose, Conditioner, LabelDose
from tankwatch.care.dosing import plan_dose
from tankwatch.care.filling import DEFAULT_LIFT_CM, Lift, plan_fill
from tankwatch.care.known import Known
from tankwatch.care.tap_water import Disinfectant, TapWater
from tankwatch.physics.chlorine import DOSING_AGENTS
from tankwatch.screen.care.form import (
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

DOSE_KIND = "dose"
"""Kind of a log entry that is a dose of conditioner."""
FILL_KIND = "fill"
"""Kind of a log entry that is one lift of a filling."""
TANK, BUCKET = "tank, in lifts", "a bucket"
LABEL = "by its label"
_GIVEN = "mL given today"
_TOTAL = re.compile(r"(\d+(?:\.\d+)?(?:e[+-]?\d+)?) mL given today")

_IN_TANK = ("into", (TANK,))
_BY_LABEL = ("conditioner", (LABEL,))
_PLAIN = ("conditioner", tuple(sorted(DOSING_AGENTS)))
_HELP = {
    "new": "Litres of new water, without what stays in the tank.",
    "into": (
        "New water goes in conditioned first. In a bucket only the new water is treated; straight"
        " into the tank each lift is treated for the whole tank before its water runs in."
    ),
    "conditioner": (
        "By its label: a product that states its dose. Or a plain chemical, weighed by the sums "
        "of its reaction."
    ),
    "label_ml": "The dose on the label, mL, for the litres in the next field. The label decides.",
    "label_l": "The litres that the dose on the label is for.",
    "treats": ("How much chlorine the label says one dose binds, mg/L as Cl2. Empty where it does not say."),
    "most": "The most that the label allows in a day, mL for each litre. Empty where it does not say.",
    "purity": "Share of the chemical in what is weighed, in percent; it stands on the container.",
    "solution": (
        "Grams of the chemical in a litre of your own stock solution. Empty: the powder itself is weighed."
    ),
    "length": "Inner length of the tank, cm; with the width it gives the height of a litre.",
    "width": "Inner width of the tank, cm, front to back.",
    "lift": (
        "How far the level goes up at a time, cm. Short lifts keep the tank's water near its own temperature."
    ),
    "new_c": (
        "What the new water is at, °C. Empty: the tank's temperature after each lift is not worked out."
    ),
    "tap": "What your supplier disinfects with. If you do not know, take chloramine: it needs more.",
    "level": (
        "The most that your supplier reports, mg/L as Cl2. It varies from day to day: take the "
        "highest, not the mean."
    ),
    "ph": ("pH of the tank; it decides how much of the ammonia that chloramine leaves behind is poisonous."),
    "given": ("mL of conditioner that went into this tank today already; it counts against the most a day."),
    "note": "Anything worth remembering; it stands in the care log with the filling.",
}
"""What F1 says of each field."""


class FillForm(Form):
    """Which water, which conditioner, and in which steps."""

    name: ClassVar[str] = "fill"
    remembered: ClassVar[tuple[str, ...]] = (
        "into", "conditioner", "label_ml", "label_l", "treats", "most", "purity", "solution", "tap", "level",
        "ph", "length", "width", "lift",
    )  # fmt: skip

    def __init__(
        self,
        tank: str,
        known: Known,
        change: tuple[float, float] | None,
        given_today_ml: float,
    ) -> None:
        """Take what is known of the tank, litres and °C of the change that goes on, and mL given in a day."""
        new_l, new_c = change or (None, None)
        self.title = f"New water for {tank}"
        self._known = known
        own_ml = known.conditioner_ml_per_l
        lift = as_text(known.lift_cm or DEFAULT_LIFT_CM)
        self.fields = explained(
            _HELP,
            Field("new", "new water", "L", _tenths_down(new_l)),
            Field("into", "it runs into", "", TANK, (TANK, BUCKET)),
            Field("conditioner", "conditioner", "", LABEL, (LABEL, *sorted(DOSING_AGENTS))),
            Field("label_ml", "label: dose", "mL", as_text(own_ml, 6), only_if=_BY_LABEL),
            Field("label_l", "label: for", "L", "" if own_ml is None else "1", only_if=_BY_LABEL),
            Field("treats", "label: treats Cl2", "mg/L", only_if=_BY_LABEL),
            Field("most", "label: most a day", "mL/L", _most_of(known), only_if=_BY_LABEL),
            Field("purity", "purity", "%", "100", only_if=_PLAIN),
            Field("solution", "stock; empty: powder", "g/L", only_if=_PLAIN),
            Field("length", "inner length", "cm", as_text(known.length_cm), only_if=_IN_TANK),
            Field("width", "inner width", "cm", as_text(known.width_cm), only_if=_IN_TANK),
            Field("lift", "height of a lift", "cm", lift, only_if=_IN_TANK),
            Field("new_c", "new water is at", "°C", as_text(new_c), only_if=_IN_TANK),
            Field("tap", "tap water has", "", str(Disinfectant.CHLORAMINE), tuple(map(str, Disinfectant))),
            Field("level", "at most, as Cl2", "mg/L", "4"),
            Field("ph", "pH of the tank", "", "8"),
            Field("given", "given today", "mL", as_text(given_today_ml) or "0"),
            Field("note", "note"),
        )

    def work(self, words: Words) -> Worked:
        """Plan the dose or the lifts.

        Raises:
            UsageError: something is missing or cannot be.
        """
        tank_l = self._known.volume_l or 0.0
        new_l = self.needed(words, "new")
        if new_l <= 0.0:
            raise FieldError("new", "new water: expected more than 0 L")
        conditioner = self._conditioner(words)
        tap = TapWater(Disinfectant(self.text(words, "tap")), self.needed(words, "level"))
        given_ml = self.number(words, "given") or 0.0
        water_c = self._known.water_c
        note = self.text(words, "note")
        if self.text(words, "into") == BUCKET:
            dose = plan_dose(
                conditioner=conditioner,
                tank_l=tank_l,
                new_l=new_l,
                direct=False,
                tap=tap,
                ph=self.needed(words, "ph"),
                temperature_c=25.0 if water_c is None else water_c,
                given_today_ml=given_ml,
            )
            entry = None
            if dose.within_label:
                total = "" if dose.running_total_ml is None else f"; {dose.running_total_ml:.3g} {_GIVEN}"
                text = f"{dose.dose} into a bucket of {new_l:g} L{total}"
                entry = Entry(DOSE_KIND, with_note(text, note))
            return Worked(sections_of(dose), entry)
        length_cm, width_cm = self.needed(words, "length"), self.needed(words, "width")
        if length_cm <= 0.0 or width_cm <= 0.0:
            raise FieldError("length", "inner length and width: expected more than 0 cm")
        fill = plan_fill(
            conditioner=conditioner,
            tank_l=tank_l,
            fill_l=new_l,
            footprint_cm2=length_cm * width_cm,
            lift_cm=self.needed(words, "lift"),
            tap=tap,
            given_today_ml=given_ml,
            ph=self.needed(words, "ph"),
            water_c=water_c,
            new_water_c=self.number(words, "new_c"),
            limit_k=self._known.limit_k or 1.5,
        )
        if not fill.lifts:
            return Worked(sections_of(fill))
        text = f"{fill.planned_l:g} L of new water in {len(fill.lifts)} lifts"
        return Worked(sections_of(fill), Entry(FILL_KIND, with_note(text, note)), fill.lifts)

    def _conditioner(self, words: Words) -> Conditioner:
        name = self.text(words, "conditioner")
        if name != LABEL:
            purity = self.needed(words, "purity")
            return ChemicalDose.named(name, purity / 100.0, self.number(words, "solution"))
        return LabelDose(
            self.needed(words, "label_ml"),
            self.needed(words, "label_l"),
            self.number(words, "treats"),
            self.number(words, "most"),
        )


def _most_of(known: Known) -> str:
    return as_text(known.conditioner_max_ml_per_l, 6)


def _tenths_down(litres: float | None) -> str:
    """Return litres as typed, rounded down: a change planned to its limit must not be filled beyond it."""
    return "" if litres is None else as_text(math.floor(10.0 * litres + 1e-6) / 10.0, 1)


def lift_entry(lift: Lift, of: int, note: str = "") -> Entry:
    """Return the log line of one lift that was done."""
    total = "" if lift.total_dose.ml is None else f"; {lift.total_dose.ml:.3g} {_GIVEN}"
    text = f"lift {lift.number} of {of}: {lift.dose} first, then {lift.litres:.1f} L{total}"
    return Entry(FILL_KIND, with_note(text, note))


def given_in(text: str) -> float | None:
    """Return the running total that a log line of a dose or a lift tells, mL; None where it tells none."""
    found = _TOTAL.search(text)
    return None if found is None else float(found[1])
