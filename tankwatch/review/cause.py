"""Candidate causes of an incident, each with what speaks for it and what against.

A cause is a few plain words; evidence is weighed in whole points: 3 settles it, 2 speaks clearly, 1 hints.
The points are this project's judgement, not a published scale; the facts behind them are printed beside it.
"""

import math
from dataclasses import dataclass, field
from enum import StrEnum

from tankwatch.review.evidence import Evidence


class Cause(StrEnum):
    """What may have happened."""

    HEATER_STUCK_ON = "heater stuck on"
    HEATER_NO_HEAT = "heater called, no heat came"
    HEATER_WITHOUT_POWER = "heater without power"
    HEATER_GIVES_NONE = "heater gives no heat (dead, unplugged or off)"
    """Where the heater's state is not recorded, those cannot be told apart."""
    POWER_LOSS = "power lost for more than the heater"
    HEATER_TOO_WEAK = "heater too weak for this room"
    ELEMENT_WEAK = "heater gives less than it did"
    MORE_HEAT_LOST = "more heat lost than usual (lid, draught, leak)"
    ROOM_WARM = "room too warm"
    WATER_CHANGED = "other water put in during service"


_TEXT_WARM = (Cause.HEATER_STUCK_ON, Cause.ROOM_WARM, Cause.WATER_CHANGED)
_TEXT_COLD = (
    Cause.HEATER_NO_HEAT,
    Cause.HEATER_WITHOUT_POWER,
    Cause.POWER_LOSS,
    Cause.HEATER_TOO_WEAK,
    Cause.ELEMENT_WEAK,
    Cause.MORE_HEAT_LOST,
    Cause.WATER_CHANGED,
)


@dataclass(slots=True)
class Candidate:
    """One cause and its evidence, in sentences."""

    cause: Cause
    points: int = 0
    evidence_for: list[str] = field(default_factory=list)
    evidence_against: list[str] = field(default_factory=list)

    def speak(self, points: int, text: str) -> None:
        """Add evidence: positive points speak for the cause, negative against it."""
        self.points += points
        (self.evidence_for if points > 0 else self.evidence_against).append(text)

    @property
    def verdict(self) -> str:
        """How far it is believed, in a word."""
        if self.points >= 4:
            return "well supported"
        if self.points >= 2:
            return "supported"
        return "possible" if self.points >= 0 else "contradicted"


def judge(evidence: Evidence, others: tuple[int, int] | None = None) -> tuple[Candidate, ...]:
    """Return the candidates, best supported first.

    `others` is how many other tanks were without heat too, and how many were heated meanwhile.
    """
    causes = _TEXT_WARM if evidence.warm else _TEXT_COLD
    candidates = {cause: Candidate(cause) for cause in causes}
    _weigh_service(evidence, candidates)
    if evidence.warm:
        _weigh_warm(evidence, candidates)
    elif evidence.fell_faster_than_free:
        words = "the water fell faster than it can by losing heat"
        for candidate in candidates.values():
            if candidate.cause is not Cause.WATER_CHANGED:
                candidate.speak(-3, words)
    else:
        _weigh_cold(evidence, candidates)
        _weigh_power(evidence, candidates, others)
    if not evidence.warm and math.isnan(evidence.shown_on):
        candidates[Cause.HEATER_NO_HEAT].cause = Cause.HEATER_GIVES_NONE
        del candidates[Cause.HEATER_WITHOUT_POWER]
    return tuple(sorted(candidates.values(), key=lambda c: -c.points))


def _weigh_service(e: Evidence, candidates: dict[Cause, Candidate]) -> None:
    water = candidates[Cause.WATER_CHANGED]
    if e.service_s is None:
        water.speak(-3, "no hands were in the tank around the onset, as far as it was marked")
    elif e.step_k >= 0.4:
        water.speak(5, f"the water changed by {e.step_k:.1f} °C within five minutes, with hands in the tank")
        if e.fell_faster_than_free:
            water.speak(3, f"it fell by {-e.rate_k_per_h:.1f} °C an hour, faster than an unheated tank can")
    else:
        water.speak(1, "hands were in the tank around the onset")
        water.speak(-2, "the water did not change at once, as it does when other water goes in")


def _weigh_warm(e: Evidence, candidates: dict[Cause, Candidate]) -> None:
    stuck, room = candidates[Cause.HEATER_STUCK_ON], candidates[Cause.ROOM_WARM]
    if not math.isnan(e.shown_on):
        if e.shown_on > 0.8:
            stuck.speak(
                3, f"the heater was reported on for {e.shown_on:.0%} of the time while the water was too warm"
            )
            room.speak(-2, "the heater was reported on: a warm room needs none")
        elif e.shown_on < 0.2:
            stuck.speak(-1, f"the heater was reported off for {1 - e.shown_on:.0%} of the time")
            room.speak(1, "the heater was reported off, as it should be in a warm room")
    share, sigma = e.heat_share, e.heat_sigma
    if not math.isnan(share):
        words = f"by the course of the water {share:.0%} (± {sigma:.0%}) of the heater's usual heat arrived"
        if share > 0.6:
            stuck.speak(3 if sigma < 0.25 else 2, words)
            room.speak(-2, words)
        elif share < 0.35:
            stuck.speak(-2, words)
            room.speak(2, words)
    if not math.isnan(e.air_change_k):
        words = f"the room's air was {e.air_change_k:+.1f} °C against the hours before"
        room.speak(1 if e.air_change_k > 1.0 else -1, words)


def _weigh_cold(e: Evidence, candidates: dict[Cause, Candidate]) -> None:
    no_heat, unplugged = candidates[Cause.HEATER_NO_HEAT], candidates[Cause.HEATER_WITHOUT_POWER]
    weak_heater, element = candidates[Cause.HEATER_TOO_WEAK], candidates[Cause.ELEMENT_WEAK]
    lost = candidates[Cause.MORE_HEAT_LOST]
    partly = (weak_heater, element, lost)
    if not math.isnan(e.shown_on):
        if e.shown_on > 0.7:
            words = f"the heater was reported on for {e.shown_on:.0%} of the time while the water fell"
            no_heat.speak(1, words)
            unplugged.speak(-4, words)
            for candidate in partly:
                candidate.speak(1, words)
        elif e.shown_on < 0.3:
            off = f"{1 - e.shown_on:.0%}"
            words = f"the heater was reported off for {off} of the time while the water was too cold"
            unplugged.speak(3, words)
            no_heat.speak(-3, words)
            for candidate in partly:
                candidate.speak(-3, words)
    share, sigma = e.heat_share, e.heat_sigma
    if not math.isnan(share):
        words = f"by the course of the water {share:.0%} (± {sigma:.0%}) of the heater's usual heat arrived"
        if share < min(max(0.08, 2.0 * sigma), 0.35):
            no_heat.speak(3, words)
            unplugged.speak(2, words)
            for candidate in partly:
                candidate.speak(-2, words)
        else:
            no_heat.speak(-2, words)
            unplugged.speak(-2, words)
            _tell_partly_apart(e, share, sigma, weak_heater, element, lost)
    _weigh_fit(e, weak_heater, element, lost)


def _tell_partly_apart(
    e: Evidence, share: float, sigma: float, weak_heater: Candidate, element: Candidate, lost: Candidate
) -> None:
    """Heat came, but too little: too cold a room, a weaker element, or more loss."""
    enough = e.heating_k_per_h > 1.05 * e.loss_k_per_h
    if e.air_known and share >= 1.0 - max(0.15, 1.5 * sigma):
        weak_heater.speak(3, "the whole heat arrived, and the model's loss to this room explains the fall")
        element.speak(-2, "the whole heat arrived")
        lost.speak(-2, "the model's usual loss to this room explains the fall")
    elif e.air_known:
        weak_heater.speak(
            -2 if enough else 1,
            "in this room the whole heater would hold the water"
            if enough
            else "in this room even the whole heater would not hold the water",
        )
    else:
        weak_heater.speak(1, "the room's air is not measured: a colder room would look like this")
    if not math.isnan(e.air_change_k) and e.air_change_k < -1.5:
        weak_heater.speak(1, f"the room's air was {e.air_change_k:+.1f} °C against the hours before")


def _weigh_fit(e: Evidence, weak_heater: Candidate, element: Candidate, lost: Candidate) -> None:
    """Cycles within the incident tell heating and loss apart."""
    if math.isnan(e.heating_now) or not e.heating_k_per_h > 0 or not e.loss_k_per_h > 0:
        return
    heat, loss = e.heating_now / e.heating_k_per_h, e.loss_now / e.loss_k_per_h
    heat_words = f"its cycles since then show {heat:.0%} of the heater's usual warming"
    loss_words = f"its cycles since then show {loss:.0%} of the loss that is usual"
    if heat < 0.82:
        element.speak(4, heat_words)
        weak_heater.speak(-2, heat_words)
        lost.speak(-1, heat_words)
    else:
        element.speak(-3, heat_words)
    if loss > 1.3:
        lost.speak(3 if e.air_known else 2, loss_words)
        if e.air_known:
            weak_heater.speak(-1, loss_words)
    else:
        lost.speak(-2, loss_words)


def _weigh_power(e: Evidence, candidates: dict[Cause, Candidate], others: tuple[int, int] | None) -> None:
    power, unplugged = candidates[Cause.POWER_LOSS], candidates[Cause.HEATER_WITHOUT_POWER]
    if e.shown_on > 0.7:
        power.speak(-4, "the heater was reported on")
    elif e.shown_on < 0.3:
        power.speak(2, "the heater was reported off though the water asked for heat")
    if others is not None:
        without, heated = others
        if without:
            power.speak(4, f"{without} other tank(s) were without heat at the same time")
        elif heated:
            power.speak(-3, f"{heated} other tank(s) were heated meanwhile")
    if e.lamp_lost:
        power.speak(3, "the lamp went dark at the same time")
        unplugged.speak(-1, "the lamp went dark at the same time: more than the heater lost power")
    elif e.lamp_on > 0.5:
        power.speak(-4, "the lamp stayed on")
