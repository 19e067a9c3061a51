"""Dechlorination against field tables, technical notes and stoichiometry."""

import math
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tankwatch.physics import chlorine
from tankwatch.physics.ammonia import un_ionised_mg_n_per_l

Row = Callable[[str], Any]


@pytest.mark.parametrize(
    ("row_id", "agent"),
    [
        ("dechl.ascorbic", chlorine.ASCORBIC_ACID),
        ("dechl.ascorbate", chlorine.SODIUM_ASCORBATE),
        ("dechl.bisulfite", chlorine.SODIUM_BISULFITE),
        ("dechl.metabisulfite", chlorine.SODIUM_METABISULFITE),
        ("dechl.sulfite", chlorine.SODIUM_SULFITE),
    ],
)
def test_dose_is_that_of_the_field_table(check_row: Row, row_id: str, agent: chlorine.Agent) -> None:
    row = check_row(row_id)
    assert agent.g_per_mol == row.inputs["M"]
    row.agrees(agent.dose_mg_per_mg_cl2)
    # The reaction alone needs up to a tenth less; never more than the field figure.
    assert 0.90 <= agent.stoichiometric_mg_per_mg_cl2 / agent.dose_mg_per_mg_cl2 <= 1.0


def test_thiosulfate_has_three_reactions(check_row: Row) -> None:
    check_row("dechl.thio.tetra").agrees(chlorine.THIOSULFATE.dose_mg_per_mg_cl2)
    anhydrous = 158.11 / 248.18
    one_to_one = chlorine.THIOSULFATE_ONE_TO_ONE.dose_mg_per_mg_cl2
    check_row("dechl.thio.1to1").agrees(one_to_one, one_to_one * anhydrous)
    full = chlorine.THIOSULFATE_FULL.dose_mg_per_mg_cl2
    check_row("dechl.thio.4").agrees(full, full * anhydrous)
    assert chlorine.THIOSULFATE_ANHYDROUS.dose_mg_per_mg_cl2 == pytest.approx(4.46, abs=0.005)


def test_the_default_is_the_safe_reaction(check_row: Row) -> None:
    doses = [
        agent.dose_mg_per_mg_cl2
        for agent in (chlorine.THIOSULFATE, chlorine.THIOSULFATE_ONE_TO_ONE, chlorine.THIOSULFATE_FULL)
    ]
    assert doses[0] == max(doses)
    assert chlorine.THIOSULFATE in chlorine.DOSING_AGENTS.values()
    assert chlorine.THIOSULFATE_ONE_TO_ONE not in chlorine.DOSING_AGENTS.values()
    assert chlorine.THIOSULFATE_FULL not in chlorine.DOSING_AGENTS.values()
    # The field table's 1.9 mg/mg fits none of the three; a plan never uses it.
    field = check_row("dechl.thio.table").expected
    assert all(abs(field - dose) > 0.5 for dose in doses)


def test_volumetric_thiosulfate(check_row: Row) -> None:
    # In titration to tetrathionate 1 mol thiosulfate is 1 equivalent: mg / (g/mol) / (mol/L) = mL.
    row = check_row("dechl.thio.mL")
    row.agrees(chlorine.THIOSULFATE.dose_mg_per_mg_cl2 / 248.18 / row.inputs["N"])


def test_sampling_bottles_carry_more_than_the_anhydrous_need(check_row: Row) -> None:
    row = check_row("dechl.sm")
    i = row.inputs
    agent_mg = i["mL"] * i["pct"] / 100 * 1000
    row.agrees(agent_mg / (i["bottle_mL"] / 1000 * i["Cl_mgL"]))
    assert row.expected > chlorine.THIOSULFATE_ANHYDROUS.dose_mg_per_mg_cl2


def test_chloramine_in_either_unit(check_row: Row) -> None:
    row = check_row("cl.adwg")
    row.agrees(
        chlorine.WHO_CHLORINE_MG_PER_L,
        chlorine.WHO_MONOCHLORAMINE_MG_NH2CL_PER_L,
        chlorine.chloramine_as_cl2_mg_per_l(chlorine.WHO_MONOCHLORAMINE_MG_NH2CL_PER_L),
    )
    assert chlorine.chloramine_as_cl2_mg_per_l(1.0) == pytest.approx(1.377, abs=0.001)
    assert chlorine.chloramine_as_nh2cl_mg_per_l(4.13) == pytest.approx(3.0, abs=0.01)


def test_ammonia_freed_by_chloramine(check_row: Row) -> None:
    per_mg = chlorine.ammonia_released_mg_n_per_l(1.0)
    check_row("chloramine.n").agrees(per_mg, 1.0 / per_mg)
    row = check_row("chloramine.uia")
    i = row.inputs
    freed = chlorine.ammonia_released_mg_n_per_l(i["chloramine_Cl2"])
    row.agrees(un_ionised_mg_n_per_l(freed, i["pH"], i["T_C"]))


def test_published_limits(check_row: Row) -> None:
    check_row("cl.epa").agrees(
        chlorine.EPA_ACUTE_CHLORINE_MG_PER_L * 1000, chlorine.EPA_CHRONIC_CHLORINE_MG_PER_L * 1000
    )
    assert check_row("cl.mrdl").expected[:2] == [chlorine.US_MAXIMUM_CL2_MG_PER_L] * 2
    check_row("cl.who").agrees(chlorine.WHO_CHLORINE_MG_PER_L, chlorine.WHO_MONOCHLORAMINE_MG_NH2CL_PER_L)


@given(st.floats(0.1, 2000.0), st.floats(1e-6, 10.0), st.sampled_from(sorted(chlorine.DOSING_AGENTS)))
def test_a_dose_neutralises_all_chlorine_by_its_own_reaction(volume_l: float, cl2: float, key: str) -> None:
    agent = chlorine.DOSING_AGENTS[key]
    moles_cl2 = chlorine.agent_mg(agent, volume_l, cl2) / agent.g_per_mol / agent.mol_per_mol_cl2
    assert moles_cl2 >= volume_l * cl2 / chlorine.CL2_G_PER_MOL * (1 - 1e-9)


def test_nonsense_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="volume in litres must be 0 or more, got -1"):
        chlorine.agent_mg(chlorine.THIOSULFATE, -1.0, 2.0)
    with pytest.raises(ValueError, match="chlorine as Cl2 in mg/L"):
        chlorine.agent_mg(chlorine.THIOSULFATE, 1.0, math.nan)
    with pytest.raises(ValueError, match="chloramine as NH2Cl"):
        chlorine.chloramine_as_cl2_mg_per_l(-0.1)
    with pytest.raises(ValueError, match="chloramine as Cl2"):
        chlorine.ammonia_released_mg_n_per_l(-0.1)
