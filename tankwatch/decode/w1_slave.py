"""The text of a `w1_slave` file: what the Linux 1-wire driver says about one temperature sensor.

Two lines, each with the nine bytes of the sensor's scratchpad::

    72 01 4b 46 7f ff 0e 10 57 : crc=57 YES
    72 01 4b 46 7f ff 0e 10 57 t=23125
"""

import re

from tankwatch.decode.refused import Reason, Refused

_LINE_1 = re.compile(r"((?:[0-9a-f]{2} ){9}): crc=[0-9a-f]{2} (YES|NO)")
_LINE_2 = re.compile(r"(?:[0-9a-f]{2} ){9}t=(-?[0-9]{1,7})")
_MAX_BYTES = 512
COLDEST_C, WARMEST_C = -55.0, 125.0
"""What the sensors of this bus can measure (DS18B20 data sheet, "Operating Temperature Range")."""
LOW_SUPPLY_C = 127.9375
"""Register 07FF: what some of them give when the supply was too low to convert (from memory)."""


def crc8(data: bytes) -> int:
    """Return the 1-wire CRC-8 of `data` (polynomial X^8 + X^5 + X^4 + 1; Maxim Application Note 27)."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0x8C if crc & 1 else crc >> 1
    return crc


def temperature_c(text: bytes) -> float:
    """Return the temperature in °C.

    The power-on value 85.0 and the low-supply value 127.9375 come out as they stand: to tell them from a
    real temperature takes more than one reading.

    Raises:
        Refused: no answer (an empty file), a failed checksum, a shorted bus, a temperature that no
            such sensor can measure, or another text altogether.
    """
    if not text.strip():
        raise Refused(Reason.NO_ANSWER, "the driver gave an empty file: conversion or checksum failed")
    lines = text[:_MAX_BYTES].decode("ascii", errors="replace").splitlines()
    first = _LINE_1.fullmatch(lines[0]) if lines else None
    if first is None:
        raise Refused(Reason.NOT_A_LINE, f"not the text of a 1-wire sensor: {text[:60]!r}")
    scratchpad = bytes.fromhex(first[1])
    # After NO the t= on line 2 is computed from the bad bytes.
    if first[2] != "YES" or crc8(scratchpad[:8]) != scratchpad[8]:
        raise Refused(Reason.CHECKSUM, first[1].strip())
    if not any(scratchpad):  # the CRC of zeros is zero, so the driver says YES
        raise Refused(Reason.SHORTED, "all bytes are zero: the data wire lies on ground")
    second = _LINE_2.fullmatch(lines[1]) if len(lines) > 1 else None
    if second is None:
        raise Refused(Reason.NOT_A_LINE, f"no t= in the text of a 1-wire sensor: {text[-60:]!r}")
    driver_c = int(second[1]) / 1000
    # The driver cuts to 0.001 K. Where the register is in 1/16 K (all but the 10- family) it is exact.
    register_c = int.from_bytes(scratchpad[:2], "little", signed=True) / 16
    value_c = register_c if abs(register_c - driver_c) < 0.001 else driver_c
    if not COLDEST_C <= value_c <= WARMEST_C and abs(value_c - LOW_SUPPLY_C) > 0.001:
        raise Refused(
            Reason.ABSURD,
            f"{value_c:g} °C; by its data sheet the sensor measures {COLDEST_C:g} to {WARMEST_C:g} °C",
        )
    return value_c
