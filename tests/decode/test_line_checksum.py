"""The checksum of a serial line: a published CRC, told from lines that bear none."""

import binascii
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tankwatch.config import ChannelConfig
from tankwatch.decode import Reason, Refused, lines
from tankwatch.decode.channel import BoundChannel
from tankwatch.decode.decoder import Decoder
from tankwatch.reading import Channel

PACK = b'[{"n":"temperature","u":"Cel","v":24.81}]'


def _with_checksum(text: bytes) -> bytes:
    return text + b"*%04X" % lines.checksum(text)


def test_it_is_the_crc_of_the_catalogue() -> None:
    """CRC-16/IBM-3740, check value of the catalogue of parametrised CRC algorithms."""
    rows = json.loads((Path(__file__).parent.parent / "data/check_values/probes.json").read_text())
    (row,) = [row for row in rows if row["id"] == "crc16.IBM-3740"]
    assert lines.checksum(b"123456789") == row["expected"] == 0x29B1


def test_a_right_checksum_is_taken_off() -> None:
    assert lines.without_checksum(PACK + b"*8526\r") == PACK
    assert lines.without_checksum(PACK + b"*8526  ") == PACK


@pytest.mark.parametrize("line", [PACK, b"temperature=24.81 heater=1", b"24.81", b"a*b=12345"])
def test_a_line_without_one_stays_as_it_is(line: bytes) -> None:
    assert lines.without_checksum(line) == line


@pytest.mark.parametrize("end", [b"*8527", b"*", b"*85", b"*85G6", b"**8526"])
def test_a_wrong_or_half_checksum_is_refused(end: bytes) -> None:
    with pytest.raises(Refused) as refusal:
        lines.without_checksum(PACK + end)
    assert refusal.value.reason is Reason.CHECKSUM


@given(st.integers(0, 8 * (len(PACK) + 5) - 1))
def test_no_line_with_one_bit_turned_gives_a_reading(bit: int) -> None:
    line = bytearray(_with_checksum(PACK))
    line[bit // 8] ^= 1 << bit % 8
    decoder = Decoder(
        "s", [BoundChannel("t01", ChannelConfig(kind=Channel.TEMPERATURE, source="s"))], by_line=True
    )
    decoded = decoder.decode(bytes(line), 1_790_000_000.0)
    if bytes(line).upper() != _with_checksum(PACK).upper():  # a hexadecimal digit has two cases
        assert decoded.readings == []
        assert decoded.refused


@given(st.binary(max_size=200))
def test_whatever_the_text_its_own_checksum_fits(text: bytes) -> None:
    assert lines.without_checksum(_with_checksum(text)) == text
    assert lines.checksum(text) == binascii.crc_hqx(text, 0xFFFF)


def test_only_serial_lines_bear_one() -> None:
    channel = BoundChannel("t01", ChannelConfig(kind=Channel.TEMPERATURE, source="s"))
    decoded = Decoder("s", [channel]).decode(PACK + b"*8526", 1_790_000_000.0)
    assert [refused.reason for refused in decoded.refused] == [Reason.NOT_JSON]
