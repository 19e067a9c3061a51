"""The form of an observation of the fish, judged against this tank's own normal."""

from typing import ClassVar

from tankwatch.care.entry_text import OBSERVATION_KIND, observation_text
from tankwatch.care.gill_beats import GillCount, compare, gill_rate
from tankwatch.care.known import Known
from tankwatch.care.observations import Breathing, FeedingResponse, Observation, judge_observation
from tankwatch.screen.care.form import (
    Entry,
    Field,
    FieldError,
    Form,
    Section,
    Words,
    Worked,
    as_text,
    explained,
)
from tankwatch.screen.care.past import TankNormal

NO, YES = "no", "yes"
_HELP = {
    "breathing": (
        "How the fish breathe against what this tank normally does. Hard breathing is the first "
        "sign of bad water."
    ),
    "beats": "Beats of the gill cover of one calm fish. The counter counts them with you.",
    "seconds": "How long they were counted, s.",
    "water": "What the water was at meanwhile, °C: fish breathe faster in warm water.",
    "fish": "How many fish live in the tank. Empty where it is not known.",
    "hiding": "How many of them hide that normally do not.",
    "chasing": "Whether one chases or is chased.",
    "calm": "Minutes until it was calm again.",
    "erratic": "Darting, spinning, rubbing, swimming on one side or at the surface.",
    "feeding": "How they took the feed, against what this tank normally does.",
    "newcomers": "Days since the last fish was added: newcomers unsettle a tank. Empty: long ago.",
    "photo": "Path of a picture or film on this machine; only the path is kept.",
    "note": "Anything else, such as which fish and where.",
}
"""What F1 says of each field."""


class LookForm(Form):
    """What the fish do, in a minute of looking."""

    name: ClassVar[str] = "look"
    remembered: ClassVar[tuple[str, ...]] = ("fish",)

    def __init__(self, tank: str, known: Known, normal: TankNormal, now_s: float) -> None:
        """Judge against `normal`, at `now_s` seconds since 1970 UTC."""
        self.title = f"A look at the fish of {tank}"
        self._normal = normal
        self._now_s = now_s
        self.fields = explained(
            _HELP,
            Field("breathing", "breathing", "", str(Breathing.NORMAL), tuple(str(b) for b in Breathing)),
            Field("beats", "gill beats", "Ctrl+G counts"),
            Field("seconds", "  in", "s"),
            Field("water", "  in water of", "°C", as_text(known.water_c)),
            Field("fish", "fish in the tank"),
            Field("hiding", "of them hide"),
            Field("chasing", "chasing", "", NO, (NO, YES)),
            Field("calm", "  calm again after", "min", only_if=("chasing", (YES,))),
            Field("erratic", "darting, spinning", "", NO, (NO, YES)),
            Field(
                "feeding",
                "of the feed, took",
                "",
                str(FeedingResponse.NOT_OFFERED),
                (str(FeedingResponse.NOT_OFFERED), "all", "some", "none"),
            ),
            Field("newcomers", "last fish added", "days ago"),
            Field("photo", "photo or video", "path"),
            Field("note", "note"),
        )

    def work(self, words: Words) -> Worked:
        """Judge the look.

        Raises:
            UsageError: something cannot be.
        """
        gill = self._gill(words)
        photo = self.text(words, "photo")
        look = Observation(
            time_s=self._now_s,
            breathing=Breathing(self.text(words, "breathing")),
            gill=gill,
            fish=self.whole(words, "fish"),
            hiding=self.whole(words, "hiding") or 0,
            chasing=self.text(words, "chasing") == YES,
            calm_down_min=self.number(words, "calm"),
            erratic=self.text(words, "erratic") == YES,
            feeding=FeedingResponse(self.text(words, "feeding")),
            newcomers_since_days=self.number(words, "newcomers"),
            note=self.text(words, "note"),
            attachments=(photo,) if photo else (),
        )
        normal = self._normal
        judged = judge_observation(
            look, normal.own, normal.circumstances, normal.before, normal.water_is_fine
        )
        working: tuple[str, ...] = ()
        if gill is not None:
            rate = gill_rate(gill)
            working = (
                f"{gill.beats} beats in {gill.seconds:g} s → exact Poisson interval, 95 % → "
                f"{rate.per_min:.0f} a minute ({rate.low_per_min:.0f} to {rate.high_per_min:.0f})",
            )
            if normal.own.gill is not None:
                working = tuple(str(step) for step in compare(gill, normal.own.gill).working)
        urgent = judged.advice.rank >= 2
        sections = (
            Section(
                f"Unlike this tank: {judged.advice}",
                tuple(o.what for o in judged.oddities),
                "high" if urgent else "bright",
            ),
            Section("Do", judged.steps, "bright"),
            Section("In the hours before", judged.likely, "bright"),
            Section(
                "Seen", judged.remarks or (() if judged.oddities else ("nothing unlike this tank",)), "text"
            ),
            Section("Caution", judged.caution),
            Section("Working", (*working, f"this tank's normal rests on {normal.own.records} looks")),
        )
        return Worked(sections, Entry(OBSERVATION_KIND, observation_text(look)))

    def _gill(self, words: Words) -> GillCount | None:
        beats = self.whole(words, "beats")
        if beats is None:
            return None
        seconds, water_c = self.number(words, "seconds"), self.number(words, "water")
        if seconds is None:
            raise FieldError("seconds", "gill beats in how many seconds?")
        if water_c is None:
            raise FieldError("water", "gill beats in water of how many °C?")
        return GillCount(beats, seconds, water_c)
