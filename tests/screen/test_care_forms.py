"""The forms of care as pure functions: nonsense gets a clear sentence, and what is kept reads back."""

import pytest

from tankwatch.care.entry_text import parse_observation, parse_test
from tankwatch.care.known import Known
from tankwatch.care.observations import OwnNormal
from tankwatch.care.season import Season
from tankwatch.screen.care.change_form import CHANGE_KIND, ChangeForm
from tankwatch.screen.care.fill_form import BUCKET, FillForm, given_in, lift_entry
from tankwatch.screen.care.form import PLAN_KIND, Form
from tankwatch.screen.care.look_form import LookForm
from tankwatch.screen.care.past import TankNormal
from tankwatch.screen.care.water_form import WaterTestForm

KNOWN = Known(
    volume_l=120.0, setpoint_c=25.0, low_c=23.0, high_c=27.0, limit_k=1.5, water_c=25.0, season=Season.WINTER
)
NOW_S = 1_795_572_000.0
LABEL = {"label_ml": "5", "label_l": "40", "length": "80", "width": "40"}
FORMS: dict[str, Form] = {
    "change": ChangeForm("Long tank", KNOWN),
    "fill": FillForm("Long tank", KNOWN, None, 0.0),
    "test": WaterTestForm("Long tank", KNOWN, None),
    "look": LookForm("Long tank", KNOWN, TankNormal(OwnNormal(0, None, None, None)), NOW_S),
}


@pytest.mark.parametrize(
    ("form", "words", "told"),
    [
        ("change", {}, "the new water, in °C: still to be filled in"),
        ("change", {"new": "-3"}, "new water in °C must be from 0 to 60"),
        ("change", {"new": "24", "share": "200"}, "at most 100 %, got 200"),
        ("change", {"new": "24", "share": "0"}, "more than 0"),
        ("change", {"new": "warm"}, "expected a number, got “warm”"),
        ("change", {"new": "inf"}, "expected a number"),
        ("change", {"new": "24", "volume": "-5"}, "tank volume in litres"),
        ("change", {"new": "24", "water": "22"}, "below its low limit"),
        ("fill", {"new": "500", **LABEL}, "from 0 to 120"),
        ("fill", {"new": "20"}, "label: dose, in mL: still to be filled in"),
        ("fill", {"new": "20", **LABEL, "length": "-80"}, "more than 0 cm"),
        ("fill", {"new": "20", **LABEL, "label_ml": "-5"}, "label dose in mL"),
        ("fill", {"new": "20", **LABEL, "level": "400"}, "from 0 to 20"),
        ("fill", {"new": "20", "into": BUCKET, "conditioner": "thiosulfate", "purity": "120"}, "purity"),
        ("test", {}, "nothing was tested yet"),
        ("test", {"ph": "15"}, "pH must be from 0 to 14"),
        ("test", {"ammonia": "-1"}, "ammonia in mg/L"),
        ("test", {"ph": "7", "t": ""}, "temperature, in °C: still to be filled in"),
        ("look", {"fish": "3", "hiding": "4"}, "fish that hide must be from 0 to 3"),
        ("look", {"fish": "2.5"}, "expected a whole number"),
        ("look", {"beats": "25"}, "gill beats in how many seconds?"),
        ("look", {"beats": "25", "seconds": "0"}, "seconds of counting"),
    ],
    ids=str,
)
def test_nonsense_is_told_and_never_kept(form: str, words: dict[str, str], told: str) -> None:
    worked = FORMS[form].check(words)
    assert told in worked.trouble
    assert worked.entry is None
    assert worked.sections == ()


def test_a_comma_is_a_decimal_point() -> None:
    worked = FORMS["change"].check({"new": "24,5", "share": "20", "done": "yes"})
    assert worked.entry is not None
    assert worked.entry.kind == CHANGE_KIND
    assert worked.entry.text == "24.0 L (20 %) of 24.5 °C into 25 °C, to 24.90 °C"


def test_a_change_is_kept_as_a_plan_until_the_water_is_in() -> None:
    worked = FORMS["change"].check({"new": "24,5", "share": "20"})
    assert worked.entry is not None
    assert worked.entry.kind == PLAN_KIND
    assert worked.entry.text.startswith("planned: 24.0 L (20 %)")


@pytest.mark.parametrize("share", ["5", "25", "60", "100"])
@pytest.mark.parametrize("new", ["5", "18", "24", "30"])
def test_what_is_kept_of_a_change_is_within_the_limits(share: str, new: str) -> None:
    worked = FORMS["change"].check({"new": new, "share": share, "done": "yes"})
    assert worked.entry is not None
    after_c = float(worked.entry.text.split("to ")[-1].removesuffix(" °C"))
    assert abs(25.0 - after_c) <= 1.5 + 0.005
    assert float(worked.entry.text.split(" L")[0]) <= 0.25 * 120.0 + 0.05, "most in winter"


def test_every_plan_shows_its_working_and_its_caution() -> None:
    filled = {
        "change": {"new": "22"},
        "fill": {"new": "20", **LABEL},
        "test": {"ph": "8.2", "ammonia": "0.5"},
        "look": {"beats": "25", "seconds": "30", "feeding": "none"},
    }
    for name, words in filled.items():
        worked = FORMS[name].check(words)
        found = {s.heading: s.sentences for s in worked.sections}
        assert found["Working"], name
        assert found["Caution"], name
        assert worked.entry is not None, name


def test_the_label_maximum_ends_the_lifts_and_no_lift_is_without_its_dose() -> None:
    worked = FORMS["fill"].check({"new": "60", **LABEL, "most": "0.2"})
    assert worked.lifts, "24 mL a day allow one dose of 15 mL"
    assert len(worked.lifts) == 1
    assert any("label allows 24 mL" in s for section in worked.sections for s in section.sentences)
    assert all((lift.dose.ml or 0.0) > 0.0 for lift in worked.lifts)
    assert FORMS["fill"].check({"new": "20", **LABEL, "most": "0.1"}).entry is None


def test_the_running_total_is_read_back_from_the_log() -> None:
    worked = FORMS["fill"].check({"new": "30", **LABEL, "given": "15"})
    texts = [lift_entry(lift, len(worked.lifts)).text for lift in worked.lifts]
    assert [given_in(text) for text in texts] == [30.0, 45.0]
    assert given_in("rinsed the filter") is None
    bucket = FORMS["fill"].check({"new": "20", **LABEL, "into": BUCKET})
    assert bucket.entry is not None
    assert bucket.entry.kind == "dose"
    assert given_in(bucket.entry.text) == 2.5


def test_what_is_kept_reads_back_as_the_same_test_and_look() -> None:
    kept = FORMS["test"].check({"ph": "7.4", "ammonia": "0.5", "ammonia_unit": "NH4", "note": "[x] fed"})
    assert kept.entry is not None
    test, note = parse_test(kept.entry.text)
    assert (test.ph, test.ammonia_mg_per_l, str(test.ammonia_unit), note) == (
        7.4,
        0.5,
        "NH4",
        "[x] fed",
    )
    look = FORMS["look"].check(
        {
            "breathing": "at the surface",
            "chasing": "yes",
            "calm": "4",
            "photo": "a b.jpg",
            "note": "by day",
        }
    )
    assert look.entry is not None
    again = parse_observation(look.entry.text, NOW_S)
    assert str(again.breathing) == "at the surface"
    assert (again.chasing, again.calm_down_min) == (True, 4.0)
    assert (again.attachments, again.note) == (("a b.jpg",), "by day")
