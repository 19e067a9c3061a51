"""Lines of a serial probe: cut out of the stream of bytes, checked, and read as `name=value` pairs.

A line may end in a checksum, an asterisk and four hexadecimal digits::

    [{"n":"temperature","u":"Cel","v":24.81}]*8526

It is the CRC-16 of everything before the asterisk, of the kind that the catalogue of parametrised CRC
algorithms calls CRC-16/IBM-3740 (polynomial 0x1021, start 0xFFFF, not reflected; 0x29B1 for "123456789").
"""

import binascii
import re

from tankwatch.decode.json_text import MAX_PAYLOAD_BYTES
from tankwatch.decode.refused import Reason, Refused
from tankwatch.decode.scalar import text_of

_SEPARATOR = re.compile(r"[ \t,;]+")
_CHECKSUM = re.compile(rb"[0-9A-Fa-f]{4}")
_PAIR = re.compile(r"([A-Za-z0-9][A-Za-z0-9:./_-]*)=([^=]+)")


class LineBuffer:
    """Keeps the half line between two reads, and never more than one line's worth of noise.

    A line ends with LF; a CR before it is dropped. Of a line over the limit only the first bytes are
    handed out, one more than the limit, so that it is refused as too long exactly once.
    """

    def __init__(self, limit: int = MAX_PAYLOAD_BYTES) -> None:
        """Start empty; lines longer than `limit` bytes are cut."""
        self._limit = limit
        self._half = bytearray()

    def feed(self, chunk: bytes) -> list[bytes]:
        """Return the lines that `chunk` completes, without their ends; empty lines are left out."""
        *ends, rest = chunk.split(b"\n")
        lines = []
        for end in ends:
            self._keep(end)
            line = bytes(self._half).removesuffix(b"\r")
            self._half.clear()
            if line.strip():
                lines.append(line)
        self._keep(rest)
        return lines

    def _keep(self, piece: bytes) -> None:
        room = self._limit + 1 - len(self._half)
        self._half += piece[: max(0, room)]


def checksum(text: bytes) -> int:
    """Return the CRC-16/IBM-3740 of `text`, 0 to 0xFFFF."""
    return binascii.crc_hqx(text, 0xFFFF)


def without_checksum(line: bytes) -> bytes:
    """Return `line` without the checksum that it ends in; a line that bears none as it is.

    Raises:
        Refused: the checksum is wrong or only half there.
    """
    line = line.rstrip(b" \t\r\n")
    text, asterisk, digits = line.rpartition(b"*")
    if not asterisk or len(digits) > 4:
        return line
    if not _CHECKSUM.fullmatch(digits):
        raise Refused(Reason.CHECKSUM, "expected four hexadecimal digits after the asterisk")
    if int(digits, 16) != checksum(text):
        raise Refused(Reason.CHECKSUM, f"the line says {digits.decode()}, its text {checksum(text):04X}")
    return text


def pairs(line: bytes | str) -> list[tuple[str, str]]:
    """Return the `name=value` pairs of `line`, in order; they are parted by blanks, commas or semicolons.

    Raises:
        Refused: too long, not UTF-8, control characters, or anything that is not such a pair.
    """
    text = text_of(line).replace("\t", " ")
    found = []
    for token in _SEPARATOR.split(text):
        if not token:
            continue
        match = _PAIR.fullmatch(token)
        if match is None:
            raise Refused(Reason.NOT_A_LINE, f"expected name=value, got {token!r}")
        found.append((match[1], match[2]))
    if not found:
        raise Refused(Reason.NOT_A_LINE, "empty")
    return found
