"""Records as lines of the log: what is written is read back, and what cannot be read is told."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tankwatch.care.entry_text import (
    observation_text,
    observations_in,
    parse_observation,
    parse_test,
    water_test_text,
)
from tankwatch.care.gill_beats import GillCount
from tankwatch.care.observations import Breathing, FeedingResponse, Observation
from tankwatch.care.water_tests import WaterTest
from tankwatch.errors import UsageError
from tankwatch.physics.nitrogen import NitrogenUnit

NOW = 1_790_000_000.0
amounts = st.none() | st.floats(0.0, 500.0)
tests = st.builds(
    WaterTest,
    temperature_c=st.floats(0.0, 40.0),
    ph=st.none() | st.floats(0.0, 14.0),
    ammonia_mg_per_l=amounts,
    ammonia_unit=st.just(NitrogenUnit.N),
    nitrite_mg_per_l=amounts,
    nitrate_mg_per_l=amounts,
    hardness_mg_caco3_per_l=amounts,
    alkalinity_mg_caco3_per_l=amounts,
    oxygen_mg_per_l=amounts,
    altitude_m=st.floats(0.0, 3000.0),
)
notes = st.text(st.characters(exclude_categories=["C", "Z"]) | st.just(" "), max_size=40).map(str.strip)
observations = st.builds(
    Observation,
    st.just(NOW),
    breathing=st.sampled_from(list(Breathing)),
    gill=st.none() | st.builds(GillCount, st.integers(0, 500), st.floats(1.0, 300.0), st.floats(0.0, 40.0)),
    fish=st.integers(10, 500),
    hiding=st.integers(0, 10),
    chasing=st.just(True),
    calm_down_min=st.none() | st.floats(0.0, 600.0),
    erratic=st.booleans(),
    feeding=st.sampled_from(list(FeedingResponse)),
    newcomers_since_days=st.none() | st.floats(0.0, 100.0),
    note=notes,
    attachments=st.lists(st.sampled_from(["a.jpg", "/photos/long tank/it's.mp4"]), max_size=2).map(tuple),
)


@given(tests)
def test_a_water_test_is_read_back(test: WaterTest) -> None:
    assert parse_test(water_test_text(test)) == (test, "")


@given(observations)
def test_an_observation_is_read_back(observation: Observation) -> None:
    assert parse_observation(observation_text(observation), NOW) == observation


def test_lines_as_they_are_typed() -> None:
    test, note = parse_test("ph=7.4 ammonia=0.5:nh4 nitrate=20 note: after the change, it's fine", 25.1)
    assert test == WaterTest(25.1, 7.4, 0.5, NitrogenUnit.NH4, nitrate_mg_per_l=20.0)
    assert note == "after the change, it's fine"
    seen = parse_observation("gill=25/30s hiding=3/10 chasing=4min feeding=some erratic", NOW, 25.1)
    assert seen == Observation(
        NOW,
        gill=GillCount(25, 30.0, 25.1),
        fish=10,
        hiding=3,
        chasing=True,
        calm_down_min=4.0,
        erratic=True,
        feeding=FeedingResponse.SOME,
    )
    assert parse_observation("nothing odd", NOW) == Observation(NOW)
    assert observation_text(Observation(NOW)) == "nothing odd"
    assert parse_observation("breathing='at the surface'", NOW).breathing is Breathing.AT_SURFACE


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("ph=15", "pH must be from 0 to 14, got 15"),
        ("ph=nan", "ph: expected a number, got 'nan'"),
        ("amonia=1", "did you mean 'ammonia'"),
        ("ammonia=1:NO3", "ammonia is counted as N or NH3 or NH4"),
        ("ammonia=1:mg", "ammonia: expected one of N, NH3"),
        ("ph=7 ph=8", "ph is given twice"),
        ("ph='7", "a quote is not closed"),
    ],
)
def test_a_wrong_test_is_told(line: str, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        parse_test(line, 25.0)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("gill=25", "expected beats and seconds"),
        ("gill=25/30s", "temperature is not known"),
        ("gill=x/30s@25", "expected a whole number, got 'x'"),
        ("hiding=9/3", "fish that hide must be from 0 to 3, got 9"),
        ("breathing=odd", "breathing: expected one of normal, fast"),
        ("feding=all", "did you mean 'feeding'"),
        ("chasing=-4min", "minutes to calm down"),
    ],
)
def test_a_wrong_observation_is_told(line: str, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        parse_observation(line, NOW)


def test_a_test_needs_a_temperature() -> None:
    with pytest.raises(UsageError, match=r"add t=25\.0"):
        parse_test("ph=7.0")
    with pytest.raises(UsageError, match="water temperature"):
        parse_test("t=77", math.nan)


def test_prose_among_observations_is_passed_over() -> None:
    entries = [(NOW, "hiding=1/10"), (NOW + 60.0, "the fish looked well"), (NOW + 120.0, "nothing odd")]
    assert [o.time_s for o in observations_in(entries)] == [NOW, NOW + 120.0]
