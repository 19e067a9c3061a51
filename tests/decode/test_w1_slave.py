"""The kernel's text about a 1-wire sensor: good values, and every fault form."""

from typing import Any

import pytest

from tankwatch.decode import Reason, Refused, w1_slave

KERNEL_STYLE = b"72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n"


def driver_text(register: int, rest: str = "4b467fff0c10") -> bytes:
    """Return what the driver writes for a temperature register, as a fraction cut to 0.001 K."""
    pad = register.to_bytes(2, "little") + bytes.fromhex(rest)
    pad += bytes([w1_slave.crc8(pad)])
    signed = register - 0x10000 if register & 0x8000 else register
    milli = int(signed * 1000 / 16)
    shown = pad.hex(" ") + " "
    return f"{shown}: crc={pad[8]:02x} YES\n{shown}t={milli}\n".encode()


def test_the_register_table_of_the_data_sheet(format_checks: dict[str, dict[str, Any]]) -> None:
    """DS18B20 data sheet, table 1."""
    row = format_checks["ds18b20.table"]
    for word, celsius in zip(row["inputs"]["hex"], row["expected"], strict=True):
        assert w1_slave.temperature_c(driver_text(int(word, 16))) == celsius


def test_the_power_on_value_comes_through(format_checks: dict[str, dict[str, Any]]) -> None:
    """DS18B20 data sheet, table 1, footnote: only the watchdog can tell 85 from a fault."""
    assert w1_slave.temperature_c(driver_text(0x0550)) == format_checks["ds18b20.poweron"]["expected"]
    assert w1_slave.temperature_c(driver_text(0x07FF)) == 127.9375


def test_crc(format_checks: dict[str, dict[str, Any]]) -> None:
    """Maxim Application Note 27 and the catalogue's check value of CRC-8/MAXIM-DOW."""
    rows = [row for name, row in format_checks.items() if name.startswith("crc8.")]
    assert len(rows) >= 6
    for row in rows:
        assert w1_slave.crc8(bytes.fromhex(row["inputs"]["bytes_hex"])) == row["expected"], row["id"]


def test_a_family_with_another_register_uses_the_drivers_figure() -> None:
    text = b"2d 00 4b 46 ff ff 02 10 19 : crc=19 YES\n2d 00 4b 46 ff ff 02 10 19 t=22375\n"
    pad = bytes.fromhex("2d004b46ffff0210")
    crc = f"{w1_slave.crc8(pad):02x}".encode()
    text = text.replace(b"19 ", crc + b" ").replace(b"crc=19", b"crc=" + crc)
    assert w1_slave.temperature_c(text) == 22.375


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (b"", Reason.NO_ANSWER),
        (b"\n", Reason.NO_ANSWER),
        (b"junk\n", Reason.NOT_A_LINE),
        (b"\xff\xfe\x00", Reason.NOT_A_LINE),
        (KERNEL_STYLE.splitlines()[0] + b"\n", Reason.NOT_A_LINE),
        (KERNEL_STYLE.replace(b"YES", b"NO"), Reason.CHECKSUM),
        (KERNEL_STYLE.replace(b"72 01", b"73 01"), Reason.CHECKSUM),
        (b"ff ff ff ff ff ff ff ff ff : crc=c9 NO\nff ff ff ff ff ff ff ff ff t=-62\n", Reason.CHECKSUM),
        (b"00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n", Reason.SHORTED),
    ],
)
def test_fault_forms(text: bytes, reason: Reason) -> None:
    with pytest.raises(Refused) as refusal:
        w1_slave.temperature_c(text)
    assert refusal.value.reason is reason


@pytest.mark.parametrize(
    ("register", "value_c"),
    [(0x07D0, 125.0), (0xFC90, -55.0), (0x07D1, None), (0xFC8F, None), (0x7FFF, None)],
)
def test_what_no_sensor_can_measure_is_refused(register: int, value_c: float | None) -> None:
    """DS18B20 data sheet: -55 to +125 °C."""
    if value_c is not None:
        assert w1_slave.temperature_c(driver_text(register)) == value_c
        return
    with pytest.raises(Refused, match=r"by its data sheet the sensor measures -55 to 125 °C") as refusal:
        w1_slave.temperature_c(driver_text(register))
    assert refusal.value.reason is Reason.ABSURD


def test_a_figure_of_the_driver_beyond_the_sensor_is_refused() -> None:
    with pytest.raises(Refused, match=r"231\.246 °C"):
        w1_slave.temperature_c(KERNEL_STYLE.replace(b"t=23125", b"t=231246"))


def test_a_good_text() -> None:
    assert w1_slave.temperature_c(KERNEL_STYLE) == 23.125
