"""Judging a test of the water: ammonia, nitrite, nitrate, pH, hardness, oxygen; and what to do first."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from tankwatch.care.plan import sensible_input
from tankwatch.physics.ammonia import (
    EPA_FOUR_DAY_FACTOR,
    HUSBANDRY_LIMIT_NH3_MG_PER_L,
    epa_acute_tan_mg_n_per_l,
    epa_chronic_tan_mg_n_per_l,
    un_ionised_mg_n_per_l,
)
from tankwatch.physics.guard import between
from tankwatch.physics.nitrogen import NitrogenUnit, as_nitrogen_mg_per_l, from_nitrogen_mg_per_l
from tankwatch.physics.oxygen import HUSBANDRY_MINIMUM_MG_PER_L, air_pressure_pa, oxygen_saturation_mg_per_l


class ResultLevel(StrEnum):
    """How much a result asks for."""

    FINE = "fine"
    WATCH = "watch"
    ACT_TODAY = "act today"
    ACT_NOW = "act now"

    @property
    def rank(self) -> int:
        """0 for fine to 3 for act now."""
        return list(ResultLevel).index(self)


def worst(levels: Sequence[ResultLevel]) -> ResultLevel:
    """Return the worst of some levels; fine where there are none."""
    return max(levels, key=lambda level: level.rank, default=ResultLevel.FINE)


@dataclass(frozen=True, slots=True)
class WaterLimits:
    """Limits that results are judged by; every one may be replaced by your own."""

    ammonia_seen_mg_n_per_l: float = 0.2
    """A ripe filter leaves less than this (common practice, no published source)."""
    nh3_mg_per_l: float = HUSBANDRY_LIMIT_NH3_MG_PER_L
    """Un-ionised, as NH3 (husbandry table for zebrafish, Humane Endpoints / ZebraVis)."""
    nitrite_watch_mg_n_per_l: float = 0.02
    """Long-term guideline of British Columbia at low chloride (value from memory)."""
    nitrite_act_mg_n_per_l: float = 0.06
    """Short-term guideline of British Columbia at low chloride (value from memory)."""
    nitrite_now_mg_n_per_l: float = 0.3
    """About 1 mg/L as NO2 (common practice, no published source)."""
    nitrate_watch_mg_n_per_l: float = 3.0
    """30-day mean to protect freshwater life (Meays 2009, British Columbia Ministry of Environment)."""
    nitrate_act_mg_n_per_l: float = 11.3
    """About 50 mg/L as NO3 (common practice, no published source)."""
    nitrate_now_mg_n_per_l: float = 32.8
    """Maximum to protect freshwater life (Meays 2009, British Columbia Ministry of Environment)."""
    ph_low: float = 6.0
    ph_high: float = 9.0
    """Range for waters with fish (directive 2006/44/EC annex I, repealed)."""
    ph_change: float = 0.5
    """Largest artificial change (directive 2006/44/EC annex I, repealed)."""
    alkalinity_low_mg_caco3_per_l: float = 50.0
    """Less than this buffers badly (common practice, no published source)."""
    oxygen_mg_per_l: float = HUSBANDRY_MINIMUM_MG_PER_L
    """Least oxygen (husbandry table for zebrafish, Humane Endpoints / ZebraVis)."""
    oxygen_now_mg_per_l: float = 4.0
    """Below it act at once (common practice, no published source)."""


@dataclass(frozen=True, slots=True)
class WaterTest:
    """One test of the water; what was not tested is None. Concentrations in mg/L of the unit beside them."""

    temperature_c: float
    ph: float | None = None
    ammonia_mg_per_l: float | None = None
    ammonia_unit: NitrogenUnit = NitrogenUnit.N
    """Total ammonia, as N, NH3 or NH4, as the kit's card says."""
    nitrite_mg_per_l: float | None = None
    nitrite_unit: NitrogenUnit = NitrogenUnit.NO2
    nitrate_mg_per_l: float | None = None
    nitrate_unit: NitrogenUnit = NitrogenUnit.NO3
    hardness_mg_caco3_per_l: float | None = None
    alkalinity_mg_caco3_per_l: float | None = None
    oxygen_mg_per_l: float | None = None
    altitude_m: float = 0.0

    def check(self) -> None:
        """Refuse a test that no water gives.

        Raises:
            ValueError: so, naming the quantity.
        """
        between("water temperature in °C", self.temperature_c, 0.0, 40.0)
        between("altitude in m", self.altitude_m, -500.0, 5000.0)
        if self.ph is not None:
            between("pH", self.ph, 0.0, 14.0)
        for name, value in (
            ("ammonia in mg/L", self.ammonia_mg_per_l),
            ("nitrite in mg/L", self.nitrite_mg_per_l),
            ("nitrate in mg/L", self.nitrate_mg_per_l),
            ("hardness in mg/L CaCO3", self.hardness_mg_caco3_per_l),
            ("alkalinity in mg/L CaCO3", self.alkalinity_mg_caco3_per_l),
            ("oxygen in mg/L", self.oxygen_mg_per_l),
        ):
            if value is not None:
                between(name, value, 0.0, 5000.0)
        for name, unit, allowed in (
            ("ammonia", self.ammonia_unit, (NitrogenUnit.N, NitrogenUnit.NH3, NitrogenUnit.NH4)),
            ("nitrite", self.nitrite_unit, (NitrogenUnit.N, NitrogenUnit.NO2)),
            ("nitrate", self.nitrate_unit, (NitrogenUnit.N, NitrogenUnit.NO3)),
        ):
            if unit not in allowed:
                raise ValueError(f"{name} is counted as {' or '.join(allowed)}, not as {unit}")


@dataclass(frozen=True, slots=True)
class Finding:
    """One quantity of a test, judged."""

    quantity: str
    level: ResultLevel
    value: str
    """The result for people, with its unit."""
    reason: str
    """The limit it was judged by, and whose it is."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """A whole test, judged."""

    findings: tuple[Finding, ...]
    first: tuple[str, ...]
    """What to do, in order; empty where all is fine."""
    nh3_mg_per_l: float | None
    """Un-ionised ammonia as NH3; None without ammonia and pH."""
    oxygen_saturation_mg_per_l: float
    """What this water holds at this temperature and altitude."""

    @property
    def level(self) -> ResultLevel:
        """The worst of all findings."""
        return worst([finding.level for finding in self.findings])


@sensible_input()
def judge(test: WaterTest, limits: WaterLimits | None = None, previous: WaterTest | None = None) -> Judgement:
    """Judge a test against limits and, for pH, against the test before it.

    Raises:
        UsageError: a result that no water gives: negative, pH outside 0..14, not a number, a unit that the
            quantity is not counted in.
    """
    limits = limits or WaterLimits()
    test.check()
    if previous is not None:
        previous.check()
    saturation = oxygen_saturation_mg_per_l(test.temperature_c, air_pressure_pa(test.altitude_m))
    findings: list[Finding] = []
    nh3 = None
    if test.ammonia_mg_per_l is not None:
        tan = as_nitrogen_mg_per_l(test.ammonia_mg_per_l, test.ammonia_unit)
        if test.ph is not None:
            nh3 = from_nitrogen_mg_per_l(
                un_ionised_mg_n_per_l(tan, test.ph, test.temperature_c), NitrogenUnit.NH3
            )
        findings.append(_ammonia(tan, nh3, test, limits))
    if test.nitrite_mg_per_l is not None:
        findings.append(_nitrite(as_nitrogen_mg_per_l(test.nitrite_mg_per_l, test.nitrite_unit), limits))
    if test.nitrate_mg_per_l is not None:
        findings.append(_nitrate(as_nitrogen_mg_per_l(test.nitrate_mg_per_l, test.nitrate_unit), limits))
    if test.ph is not None:
        findings.append(_ph(test.ph, None if previous is None else previous.ph, limits))
    if test.alkalinity_mg_caco3_per_l is not None:
        findings.append(_alkalinity(test.alkalinity_mg_caco3_per_l, limits))
    if test.hardness_mg_caco3_per_l is not None:
        findings.append(
            Finding(
                "hardness",
                ResultLevel.FINE,
                f"{test.hardness_mg_caco3_per_l:g} mg/L CaCO3",
                "what is right depends on the fish: compare with their source water",
            )
        )
    if test.oxygen_mg_per_l is not None:
        findings.append(_oxygen(test.oxygen_mg_per_l, saturation, limits))
    return Judgement(tuple(findings), _first(findings), nh3, saturation)


def _ammonia(tan: float, nh3: float | None, test: WaterTest, limits: WaterLimits) -> Finding:
    value = f"{tan:.2f} mg/L as N"
    if nh3 is None or test.ph is None:
        level = ResultLevel.ACT_TODAY if tan > limits.ammonia_seen_mg_n_per_l else ResultLevel.FINE
        return Finding(
            "ammonia", level, value, "without pH the un-ionised share is unknown: taken on the safe side"
        )
    value += f", {nh3:.3f} mg/L un-ionised at pH {test.ph:g} and {test.temperature_c:g} °C"
    acute = epa_acute_tan_mg_n_per_l(test.ph, test.temperature_c)
    chronic = epa_chronic_tan_mg_n_per_l(test.ph, test.temperature_c)
    if tan > acute:
        return Finding(
            "ammonia", ResultLevel.ACT_NOW, value, f"above {acute:.2f}, one-hour criterion (US EPA 2013)"
        )
    if tan > EPA_FOUR_DAY_FACTOR * chronic:
        four_day = EPA_FOUR_DAY_FACTOR * chronic
        return Finding(
            "ammonia", ResultLevel.ACT_NOW, value, f"above {four_day:.2f}, four-day limit (US EPA 2013)"
        )
    if nh3 > limits.nh3_mg_per_l:
        reason = f"un-ionised above {limits.nh3_mg_per_l:g} mg/L (husbandry table)"
        return Finding("ammonia", ResultLevel.ACT_TODAY, value, reason)
    if tan > chronic:
        reason = f"above {chronic:.2f}, 30-day criterion (US EPA 2013)"
        return Finding("ammonia", ResultLevel.ACT_TODAY, value, reason)
    if tan > limits.ammonia_seen_mg_n_per_l:
        return Finding(
            "ammonia", ResultLevel.WATCH, value, "a ripe filter leaves hardly any (common practice)"
        )
    return Finding("ammonia", ResultLevel.FINE, value, f"30-day criterion {chronic:.2f} mg/L (US EPA 2013)")


def _nitrite(n: float, limits: WaterLimits) -> Finding:
    value = f"{n:.3f} mg/L as N, {from_nitrogen_mg_per_l(n, NitrogenUnit.NO2):.2f} as NO2"
    if n > limits.nitrite_now_mg_n_per_l:
        level, limit = ResultLevel.ACT_NOW, limits.nitrite_now_mg_n_per_l
    elif n > limits.nitrite_act_mg_n_per_l:
        level, limit = ResultLevel.ACT_TODAY, limits.nitrite_act_mg_n_per_l
    elif n > limits.nitrite_watch_mg_n_per_l:
        level, limit = ResultLevel.WATCH, limits.nitrite_watch_mg_n_per_l
    else:
        return Finding(
            "nitrite", ResultLevel.FINE, value, f"limit {limits.nitrite_watch_mg_n_per_l:g} mg/L as N"
        )
    return Finding("nitrite", level, value, f"above {limit:g} mg/L as N; less harmful where chloride is high")


def _nitrate(n: float, limits: WaterLimits) -> Finding:
    value = f"{n:.1f} mg/L as N, {from_nitrogen_mg_per_l(n, NitrogenUnit.NO3):.0f} as NO3"
    if n > limits.nitrate_now_mg_n_per_l:
        level, limit = ResultLevel.ACT_TODAY, limits.nitrate_now_mg_n_per_l
    elif n > limits.nitrate_act_mg_n_per_l:
        level, limit = ResultLevel.ACT_TODAY, limits.nitrate_act_mg_n_per_l
    elif n > limits.nitrate_watch_mg_n_per_l:
        level, limit = ResultLevel.WATCH, limits.nitrate_watch_mg_n_per_l
    else:
        return Finding(
            "nitrate", ResultLevel.FINE, value, f"30-day limit {limits.nitrate_watch_mg_n_per_l:g} as N"
        )
    return Finding("nitrate", level, value, f"above {limit:g} mg/L as N")


def _ph(ph: float, before: float | None, limits: WaterLimits) -> Finding:
    value = f"{ph:g}"
    if not limits.ph_low <= ph <= limits.ph_high:
        return Finding("pH", ResultLevel.ACT_TODAY, value, f"outside {limits.ph_low:g} to {limits.ph_high:g}")
    if before is not None and abs(ph - before) > limits.ph_change + 1e-9:
        return Finding(
            "pH", ResultLevel.ACT_TODAY, f"{value}, was {before:g}", f"moved more than {limits.ph_change:g}"
        )
    return Finding("pH", ResultLevel.FINE, value, f"range {limits.ph_low:g} to {limits.ph_high:g}")


def _alkalinity(mg_caco3_per_l: float, limits: WaterLimits) -> Finding:
    value = f"{mg_caco3_per_l:g} mg/L CaCO3"
    low = limits.alkalinity_low_mg_caco3_per_l
    if mg_caco3_per_l < low:
        return Finding(
            "alkalinity", ResultLevel.WATCH, value, f"below {low:g}: the pH may fall as the filter works"
        )
    return Finding("alkalinity", ResultLevel.FINE, value, f"at least {low:g}")


def _oxygen(mg_per_l: float, saturation: float, limits: WaterLimits) -> Finding:
    value = f"{mg_per_l:g} mg/L, {100 * mg_per_l / saturation:.0f} % of saturation ({saturation:.2f})"
    if mg_per_l < limits.oxygen_now_mg_per_l:
        return Finding("oxygen", ResultLevel.ACT_NOW, value, f"below {limits.oxygen_now_mg_per_l:g} mg/L")
    if mg_per_l < limits.oxygen_mg_per_l:
        reason = f"below {limits.oxygen_mg_per_l:g} mg/L (husbandry table)"
        return Finding("oxygen", ResultLevel.ACT_TODAY, value, reason)
    return Finding("oxygen", ResultLevel.FINE, value, f"at least {limits.oxygen_mg_per_l:g} mg/L")


def _first(findings: Sequence[Finding]) -> tuple[str, ...]:
    """Return what to do in order: air before water, water before feed, and the cause last."""
    levels = {finding.quantity: finding.level for finding in findings}

    def asks(quantity: str, least: ResultLevel = ResultLevel.ACT_TODAY) -> bool:
        return levels.get(quantity, ResultLevel.FINE).rank >= least.rank

    steps: list[str] = []
    if asks("oxygen"):
        steps.append("aerate now; check that filter and air pump run and that the water is not too warm")
    if asks("ammonia") or asks("nitrite"):
        steps.append("repeat the test; if it holds, change water within the tank's limits, conditioned first")
        steps.append("halve or stop the feed until both are down; look for a dead fish or rotting feed")
        steps.append("check the filter: flow, and media rinsed only in tank water; aerate")
        steps.append("test again tomorrow")
    if asks("nitrate"):
        steps.append(
            "plan more or larger changes of water (see the change plan); check the tap's own nitrate"
        )
    if asks("pH"):
        steps.append("find the cause before correcting pH: alkalinity, new decoration, tap; change it slowly")
    if asks("alkalinity", ResultLevel.WATCH):
        steps.append("change water sooner: it brings alkalinity back")
    if not steps and any(finding.level is ResultLevel.WATCH for finding in findings):
        steps.append("test again within a few days")
    return tuple(steps)
