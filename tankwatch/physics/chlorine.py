"""Chlorine and chloramine in tap water, and what plain chemicals remove of them.

Chloramine is counted **as Cl2** by suppliers and **as NH2Cl** by some guidelines; the unit is in every name.
"""

from dataclasses import dataclass

from tankwatch.physics.guard import not_negative
from tankwatch.physics.nitrogen import H_G_PER_MOL, N_G_PER_MOL

CL2_G_PER_MOL = 70.90
NH2CL_G_PER_MOL = N_G_PER_MOL + 2 * H_G_PER_MOL + CL2_G_PER_MOL / 2

EPA_ACUTE_CHLORINE_MG_PER_L = 0.019
"""Total residual chlorine, one hour (US EPA 1985, EPA 440/5-84-030, fresh water)."""
EPA_CHRONIC_CHLORINE_MG_PER_L = 0.011
"""Total residual chlorine, four days (US EPA 1985, EPA 440/5-84-030, fresh water)."""

US_MAXIMUM_CL2_MG_PER_L = 4.0
"""Highest residual of chlorine or chloramine as Cl2, as a running annual mean (40 CFR 141.65)."""
WHO_CHLORINE_MG_PER_L = 5.0
"""Guideline for chlorine (WHO Guidelines for drinking-water quality, 2nd ed. vol. 2)."""
WHO_MONOCHLORAMINE_MG_NH2CL_PER_L = 3.0
"""Guideline for monochloramine, as NH2Cl (WHO, and NHMRC Australian Drinking Water Guidelines)."""


def chloramine_as_cl2_mg_per_l(as_nh2cl_mg_per_l: float) -> float:
    """Return monochloramine counted as Cl2, mg/L, out of the same counted as NH2Cl (molar masses).

    Raises:
        ValueError: the concentration is negative or not a number.
    """
    return not_negative("chloramine as NH2Cl in mg/L", as_nh2cl_mg_per_l) * CL2_G_PER_MOL / NH2CL_G_PER_MOL


def chloramine_as_nh2cl_mg_per_l(as_cl2_mg_per_l: float) -> float:
    """Return monochloramine counted as NH2Cl, mg/L, out of the same counted as Cl2 (molar masses).

    Raises:
        ValueError: the concentration is negative or not a number.
    """
    return not_negative("chloramine as Cl2 in mg/L", as_cl2_mg_per_l) * NH2CL_G_PER_MOL / CL2_G_PER_MOL


def ammonia_released_mg_n_per_l(chloramine_as_cl2_mg_per_l: float) -> float:
    """Return the ammonia nitrogen that is set free when monochloramine is neutralised, mg N/L.

    One mole of nitrogen per mole of Cl2 equivalent: 0.1976 mg/mg, the 5:1 of the trade. Dechlorinating
    salts leave this ammonia in the water.

    Raises:
        ValueError: the concentration is negative or not a number.
    """
    return not_negative("chloramine as Cl2 in mg/L", chloramine_as_cl2_mg_per_l) * N_G_PER_MOL / CL2_G_PER_MOL


@dataclass(frozen=True, slots=True)
class Agent:
    """A plain chemical that neutralises chlorine by one stated reaction."""

    key: str
    name: str
    g_per_mol: float
    mol_per_mol_cl2: float
    """Moles used for each mole of Cl2."""
    reaction: str
    field_mg_per_mg_cl2: float | None = None
    """Field figure of AWWA, Disinfection of Pipelines and Storage Facilities, table 7-2; None: none taken."""

    @property
    def stoichiometric_mg_per_mg_cl2(self) -> float:
        """Mass used for each mass of Cl2 by the reaction alone, mg/mg."""
        return self.mol_per_mol_cl2 * self.g_per_mol / CL2_G_PER_MOL

    @property
    def dose_mg_per_mg_cl2(self) -> float:
        """What a plan uses: the larger of reaction and field figure, mg/mg."""
        return max(self.stoichiometric_mg_per_mg_cl2, self.field_mg_per_mg_cl2 or 0.0)


_PENTAHYDRATE = 248.18
_ANHYDROUS = 158.11
_TO_TETRATHIONATE = "2 S2O3 + Cl2 -> S4O6 + 2 Cl"
_TO_SULFUR = "S2O3 + Cl2 + H2O -> SO4 + S + 2 HCl"
_TO_SULFATE = "S2O3 + 4 HOCl + H2O -> 2 SO4 + 4 Cl + 6 H"

THIOSULFATE = Agent("thiosulfate", "sodium thiosulfate pentahydrate", _PENTAHYDRATE, 2.0, _TO_TETRATHIONATE)
"""The default: by the reaction that needs most of it (7.0 mg/mg), so it is never too little."""
THIOSULFATE_ANHYDROUS = Agent(
    "thiosulfate-anhydrous", "sodium thiosulfate, anhydrous", _ANHYDROUS, 2.0, _TO_TETRATHIONATE
)
THIOSULFATE_ONE_TO_ONE = Agent(
    "thiosulfate-1to1", "sodium thiosulfate pentahydrate, 1:1", _PENTAHYDRATE, 1.0, _TO_SULFUR
)
"""Half the default; for comparison only."""
THIOSULFATE_FULL = Agent(
    "thiosulfate-full", "sodium thiosulfate pentahydrate, full oxidation", _PENTAHYDRATE, 0.25, _TO_SULFATE
)
"""An eighth of the default; for comparison only."""
ASCORBIC_ACID = Agent("ascorbic-acid", "ascorbic acid", 176.12, 1.0, "1 mol per mol Cl2", 2.5)
SODIUM_ASCORBATE = Agent("sodium-ascorbate", "sodium ascorbate", 198.11, 1.0, "1 mol per mol Cl2", 2.8)
SODIUM_BISULFITE = Agent("bisulfite", "sodium bisulfite", 104.06, 1.0, "HSO3 + HOCl -> SO4 + Cl + 2 H", 1.61)
SODIUM_METABISULFITE = Agent(
    "metabisulfite", "sodium metabisulfite", 190.11, 0.5, "S2O5 + 2 HOCl + H2O -> 2 SO4 + 2 Cl + 4 H", 1.47
)
SODIUM_SULFITE = Agent("sulfite", "sodium sulfite", 126.04, 1.0, "SO3 + HOCl -> SO4 + Cl + H", 1.96)

DOSING_AGENTS = {
    agent.key: agent
    for agent in (
        THIOSULFATE,
        THIOSULFATE_ANHYDROUS,
        ASCORBIC_ACID,
        SODIUM_ASCORBATE,
        SODIUM_BISULFITE,
        SODIUM_METABISULFITE,
        SODIUM_SULFITE,
    )
}
"""Agents that a dose may be planned with, by key: each by its safe reaction."""


def agent_mg(agent: Agent, volume_l: float, cl2_mg_per_l: float) -> float:
    """Return the mass of pure `agent` that neutralises the chlorine in a volume of tap water, mg.

    Chloramine needs the same as chlorine when both are counted as Cl2.

    Raises:
        ValueError: volume or concentration is negative or not a number.
    """
    cl2_mg = not_negative("volume in litres", volume_l) * not_negative(
        "chlorine as Cl2 in mg/L", cl2_mg_per_l
    )
    return cl2_mg * agent.dose_mg_per_mg_cl2
