"""Why a payload was not taken: a reason that is counted, and words for the person who looks into it."""

from enum import StrEnum

from tankwatch.errors import TankwatchError
from tankwatch.safetext import safe_text


class Reason(StrEnum):
    """What is counted, by source. The words are shown as they stand."""

    TOO_LONG = "too long"
    """Over 64 KiB."""
    NOT_UTF8 = "not UTF-8"
    CONTROL_CHARACTERS = "control characters"
    NOT_JSON = "not JSON"
    TOO_DEEP = "too deeply nested"
    NOT_FINITE = "not a finite number"
    """NaN, an infinity, or a number beyond the range of a double."""
    NOT_SENML = "not SenML"
    """JSON, but against a rule of RFC 8428."""
    NOT_A_LINE = "not a line of values"
    """A serial line that is neither a SenML array nor name=value pairs."""
    NOT_A_NUMBER = "not a number"
    UNKNOWN_WORD = "unknown word"
    """No on/off word, or no service word."""
    WRONG_TYPE = "wrong type"
    """A text where a number is due, or the reverse."""
    WRONG_UNIT = "wrong unit"
    ABSURD = "absurd value"
    """Outside anything the channel can measure."""
    POINTER_MISS = "pointer misses"
    """The JSON Pointer leads nowhere in this payload."""
    NO_RECORD = "no such record"
    """Well formed, but nothing in it belongs to a channel."""
    AMBIGUOUS = "ambiguous name"
    """Two differently named records fit one channel."""
    CLOCK = "clock"
    """The stamp could not be right and was replaced by the time of arrival; the value was taken."""
    CHECKSUM = "bad checksum"
    """A serial line or a 1-wire scratchpad failed its CRC."""
    NO_ANSWER = "no answer"
    """A 1-wire sensor gave an empty file, or has vanished from the bus."""
    SHORTED = "bus shorted"
    """A 1-wire scratchpad of zeros: the data wire lies on ground."""
    INTERNAL = "internal error"
    """A fault of this program; the log has the details."""


class Refused(TankwatchError, ValueError):  # noqa: N818 - a refusal is ordinary, not a fault
    """A payload, or one value of it, is not taken.

    `reason` is what is counted; `detail` says more in text that is safe to show.
    """

    def __init__(self, reason: Reason, detail: str = "") -> None:
        """Refuse for `reason`; `detail` may quote outside text, which is escaped here."""
        self.reason = reason
        self.detail = safe_text(detail, 160)
        super().__init__(f"{reason}: {self.detail}" if detail else str(reason))
