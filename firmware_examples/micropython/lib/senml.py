# SenML records (RFC 8428) and lines with a checksum. Runs on MicroPython and on CPython.
import json


def crc16(text):
    """Return the CRC-16/IBM-3740 of `text` (polynomial 0x1021, start 0xFFFF)."""
    crc = 0xFFFF
    for byte in text.encode():
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc


def line(records):
    """Return one line for a serial port: the pack, an asterisk and the checksum of what is before it."""
    text = json.dumps(records)
    return "%s*%04X" % (text, crc16(text))


def timed(records, age_s, epoch_s):
    """Return the pack of records that were taken `age_s` seconds ago.

    `epoch_s` is the time now in seconds since 1970 UTC, or None while it is not known: then the time is
    relative, so many seconds before the pack arrives (section 4.5.3).
    """
    base = -age_s if epoch_s is None else epoch_s - age_s
    return json.dumps([{"bt": base}] + records)
