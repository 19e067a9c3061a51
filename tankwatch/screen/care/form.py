"""What every form of the care page is: fields with words in them, and a function that works them out.

Nothing here draws or knows Textual, so a form is tested by handing it words.
"""

import math
from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import ClassVar

from tankwatch.care.filling import Lift
from tankwatch.care.plan import Plan
from tankwatch.errors import UsageError

Words = Mapping[str, str]
"""What stands in each field, by its key."""


@dataclass(frozen=True, slots=True)
class Field:
    """One field: free text, or with `choices` one of some words."""

    key: str
    label: str
    unit: str = ""
    start: str = ""
    """What stands in it at first."""
    choices: tuple[str, ...] = ()
    only_if: tuple[str, tuple[str, ...]] | None = None
    """Key of another field and the words in it for which this one is asked."""
    help: str = ""
    """What is wanted, and what an empty field means; shown by F1."""

    def is_asked(self, words: Words) -> bool:
        """Tell whether this field matters for what stands in the others."""
        return self.only_if is None or words.get(self.only_if[0], "") in self.only_if[1]


def explained(help_by_key: Mapping[str, str], *fields: Field) -> tuple[Field, ...]:
    """Return `fields`, each with its words for F1 (KeyError: one has none)."""
    return tuple(replace(field, help=help_by_key[field.key]) for field in fields)


@dataclass(frozen=True, slots=True)
class Section:
    """Some sentences under one heading."""

    heading: str
    sentences: tuple[str, ...]
    role: str = "text"


PLAN_KIND = "plan"
"""Kind of a log entry that says what is meant to be done, not what was done."""


@dataclass(frozen=True, slots=True)
class Entry:
    """A line for the care log."""

    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class Worked:
    """What a form makes of its words: sections to read, and what can be kept; or what is wrong."""

    sections: tuple[Section, ...] = ()
    entry: Entry | None = None
    """What goes into the log; None: nothing can be kept yet."""
    lifts: tuple[Lift, ...] = ()
    """Steps to be walked through, each into the log on its own."""
    trouble: str = ""
    field: str = ""
    """Key of the field with the trouble, where it is one field's."""


class FieldError(UsageError):
    """A field holds what it cannot hold."""

    def __init__(self, key: str, text: str) -> None:
        """Name the field."""
        super().__init__(text)
        self.key = key


class Form(ABC):
    """One form for one tank."""

    name: ClassVar[str] = ""
    """Short word, for what is remembered of it."""
    title: str = ""
    fields: tuple[Field, ...] = ()
    remembered: ClassVar[tuple[str, ...]] = ()
    """Keys whose words come back when the form is opened again."""

    def check(self, words: Words) -> Worked:
        """Work the words out; what is wrong is told in the result, never raised.

        A field without words holds what it starts with.
        """
        try:
            return self.work({field.key: field.start for field in self.fields} | dict(words))
        except FieldError as error:
            return Worked(trouble=str(error), field=error.key)
        except UsageError as error:
            return Worked(trouble=str(error))

    @abstractmethod
    def work(self, words: Words) -> Worked:
        """Work the words out.

        Raises:
            UsageError: something is missing or cannot be.
        """

    def text(self, words: Words, key: str) -> str:
        """Return the words of a field, bare; empty where it is not asked."""
        field = next(f for f in self.fields if f.key == key)
        return words.get(key, field.start).strip() if field.is_asked(words) else ""

    def number(self, words: Words, key: str) -> float | None:
        """Return the number in a field, None for an empty one; a comma serves as a decimal point.

        Raises:
            FieldError: it is no number.
        """
        text = self.text(words, key)
        if not text:
            return None
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            label = next(f.label for f in self.fields if f.key == key)
            raise FieldError(key, f"{label}: expected a number, got “{text}”")
        return value

    def needed(self, words: Words, key: str) -> float:
        """Return the number in a field that may not stay empty.

        Raises:
            FieldError: it is empty, or no number.
        """
        value = self.number(words, key)
        if value is None:
            field = next(f for f in self.fields if f.key == key)
            unit = f", in {field.unit}" if field.unit else ""
            raise FieldError(key, f"{field.label}{unit}: still to be filled in")
        return value

    def whole(self, words: Words, key: str) -> int | None:
        """Return the whole number in a field, None for an empty one.

        Raises:
            FieldError: it is none.
        """
        value = self.number(words, key)
        if value is None:
            return None
        if value < 0 or value != int(value):
            label = next(f.label for f in self.fields if f.key == key)
            raise FieldError(key, f"{label}: expected a whole number, got “{self.text(words, key)}”")
        return int(value)


def sections_of(plan: Plan) -> tuple[Section, ...]:
    """Return a plan as sections; what was given stands in the fields already."""
    return (
        Section("Warning", plan.warnings, "high"),
        Section("Do", plan.advice, "bright"),
        Section("Caution", plan.caution),
        Section("Working", tuple(str(step) for step in plan.working)),
        Section("Assumed", plan.assumptions, "label"),
    )


def as_text(value: float | None, digits: int = 2) -> str:
    """Return a number as it would be typed; empty for none."""
    return "" if value is None else f"{round(value, digits):g}"


def with_note(text: str, note: str) -> str:
    """Return a log line with a note after it."""
    return f"{text}; {note}" if note else text
