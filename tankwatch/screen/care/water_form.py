"""The form of a water test: results in, judged by the published limits and the test before."""

from typing import ClassVar

from tankwatch.care import cautions
from tankwatch.care.ammonia import plan_ammonia
from tankwatch.care.entry_text import TEST_KIND, water_test_text
from tankwatch.care.known import Known
from tankwatch.care.water_tests import Finding, Judgement, ResultLevel, WaterTest, judge
from tankwatch.errors import UsageError
from tankwatch.physics.nitrogen import NitrogenUnit
from tankwatch.screen.care.form import Entry, Field, Form, Section, Words, Worked, as_text, explained

_AMMONIA = ("N", "NH3", "NH4")
_HELP = {
    "t": "What the water is at, °C; it decides how much of the ammonia is poisonous.",
    "ph": "pH as the kit or meter shows it. Empty: not tested.",
    "ammonia": ("Total ammonia as the kit shows it, mg/L: ammonia and ammonium together. Empty: not tested."),
    "ammonia_unit": "What the kit counts: nitrogen (N), NH3 or NH4; its leaflet says which.",
    "nitrite": "Nitrite as the kit shows it, mg/L. Empty: not tested.",
    "nitrite_unit": "What the kit counts: NO2, or only its nitrogen (N); its leaflet says which.",
    "nitrate": "Nitrate as the kit shows it, mg/L. Empty: not tested.",
    "nitrate_unit": "What the kit counts: NO3, or only its nitrogen (N); its leaflet says which.",
    "hardness": "General hardness as mg/L of CaCO3; a German degree is 17.85 of them. Empty: not tested.",
    "alkalinity": "Alkalinity (carbonate hardness) as mg/L of CaCO3; it holds the pH. Empty: not tested.",
    "oxygen": "Dissolved oxygen, mg/L. Empty: not tested.",
    "altitude": "Metres above the sea: higher up water holds less oxygen.",
    "note": "Anything worth remembering; it stands in the care log with the test.",
}
"""What F1 says of each field."""


class WaterTestForm(Form):
    """What the kit shows, counted as its card says."""

    name: ClassVar[str] = "test"
    remembered: ClassVar[tuple[str, ...]] = ("ammonia_unit", "nitrite_unit", "nitrate_unit", "altitude")

    def __init__(self, tank: str, known: Known, previous: WaterTest | None) -> None:
        """Take the tank's temperature, and the test before for comparison."""
        self.title = f"Water test of {tank}"
        self._previous = previous
        self.fields = explained(
            _HELP,
            Field("t", "temperature", "°C", as_text(known.water_c)),
            Field("ph", "pH"),
            Field("ammonia", "ammonia, total", "mg/L"),
            Field("ammonia_unit", "  counted as", "", "N", _AMMONIA),
            Field("nitrite", "nitrite", "mg/L"),
            Field("nitrite_unit", "  counted as", "", "NO2", ("NO2", "N")),
            Field("nitrate", "nitrate", "mg/L"),
            Field("nitrate_unit", "  counted as", "", "NO3", ("NO3", "N")),
            Field("hardness", "hardness, CaCO3", "mg/L"),
            Field("alkalinity", "alkalinity, CaCO3", "mg/L"),
            Field("oxygen", "oxygen", "mg/L"),
            Field("altitude", "altitude", "m", "0"),
            Field("note", "note"),
        )

    def work(self, words: Words) -> Worked:
        """Judge the test.

        Raises:
            UsageError: nothing was tested, or a result that no water gives.
        """
        test = WaterTest(
            temperature_c=self.needed(words, "t"),
            ph=self.number(words, "ph"),
            ammonia_mg_per_l=self.number(words, "ammonia"),
            ammonia_unit=NitrogenUnit(self.text(words, "ammonia_unit")),
            nitrite_mg_per_l=self.number(words, "nitrite"),
            nitrite_unit=NitrogenUnit(self.text(words, "nitrite_unit")),
            nitrate_mg_per_l=self.number(words, "nitrate"),
            nitrate_unit=NitrogenUnit(self.text(words, "nitrate_unit")),
            hardness_mg_caco3_per_l=self.number(words, "hardness"),
            alkalinity_mg_caco3_per_l=self.number(words, "alkalinity"),
            oxygen_mg_per_l=self.number(words, "oxygen"),
            altitude_m=self.number(words, "altitude") or 0.0,
        )
        judgement = judge(test, previous=self._previous)
        if not judgement.findings:
            raise UsageError("nothing was tested yet: fill in what the kit shows")
        note = self.text(words, "note")
        text = water_test_text(test) + (f" note: {note}" if note else "")
        return Worked(_sections(test, judgement), Entry(TEST_KIND, text))


def _sections(test: WaterTest, judgement: Judgement) -> tuple[Section, ...]:
    odd = [f for f in judgement.findings if f.level is not ResultLevel.FINE]
    fine = [f for f in judgement.findings if f.level is ResultLevel.FINE]
    working: tuple[str, ...] = ()
    if test.ammonia_mg_per_l is not None and test.ph is not None:
        plan = plan_ammonia(
            ammonia_mg_per_l=test.ammonia_mg_per_l,
            ph=test.ph,
            temperature_c=test.temperature_c,
            unit=test.ammonia_unit,
        )
        working = tuple(str(step) for step in plan.working)
    held = f"this water holds {judgement.oxygen_saturation_mg_per_l:.2f} mg/L oxygen at most"
    urgent = [f for f in odd if f.level.rank >= ResultLevel.ACT_TODAY.rank]
    return (
        Section("Not fine", tuple(_odd_words(f) for f in urgent), "high"),
        Section("To watch", tuple(_odd_words(f) for f in odd if f not in urgent), "bright"),
        Section("Do", judgement.first, "bright"),
        Section("Fine", tuple(f"{f.quantity}: {f.value} ({f.reason})" for f in fine)),
        Section("Caution", (cautions.TESTS, cautions.FISH)),
        Section("Working", (*working, held)),
    )


def _odd_words(finding: Finding) -> str:
    return f"{finding.quantity}: {finding.level}. {finding.value}, {finding.reason}"
