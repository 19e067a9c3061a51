# DS18B20 sensors and photo-sensors. What cannot be believed gives no temperature, but a word that says why.
import time

CONVERSION_MS = 750  # DS18B20 data sheet, table 3, at 12 bits
POWER_ON_C = 85.0  # the sensor's value before its first conversion; no tank is that hot


def crc8(data):
    """Return the 1-wire CRC-8 of `data` (X^8 + X^5 + X^4 + 1)."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0x8C if crc & 1 else crc >> 1
    return crc


def decode(pad):
    """Return (temperature in degrees Celsius, None) or (None, word) from the nine bytes of a scratchpad."""
    if all(byte == 0xFF for byte in pad):
        return None, "gone"
    if not any(pad):  # the CRC of zeros is zero
        return None, "wire"
    # Bits 0 to 4 and 7 of the configuration byte are fixed: a second look beside the CRC.
    if crc8(pad[:8]) != pad[8] or pad[4] & 0x9F != 0x1F:
        return None, "checksum"
    sixteenths = pad[0] | pad[1] << 8
    if sixteenths & 0x8000:
        sixteenths -= 0x10000
    undefined_bits = 3 - (pad[4] >> 5 & 3)  # below 12 bits of resolution
    celsius = (sixteenths >> undefined_bits << undefined_bits) / 16
    return (None, "power-on") if celsius == POWER_ON_C else (celsius, None)


def sensor_name(rom):
    """Return the sensor's name as Linux has it, such as 28-000000015ae1."""
    return "%02x-%s" % (rom[0], "".join("%02x" % rom[i] for i in range(6, 0, -1)))


class Thermometers:
    """All DS18B20 sensors on one pin; `bus` is an onewire.OneWire."""

    def __init__(self, bus):
        self.bus = bus

    def records(self):
        """Measure, which takes 0.8 s, and return one record for each sensor."""
        try:
            roms = [rom for rom in self.bus.scan() if rom[0] == 0x28 and crc8(rom[:7]) == rom[7]]
        except Exception:  # the driver raises plain ones when the wire lies on ground
            roms = []
        if not roms or not self.bus.reset():
            return [{"n": "fault", "vs": "no-sensor"}]
        self.bus.writebyte(0xCC)  # SKIP ROM: all of them
        self.bus.writebyte(0x44)  # CONVERT T
        time.sleep_ms(CONVERSION_MS + 50)
        return [self._record(rom) for rom in roms]

    def _record(self, rom):
        pad = bytearray(b"\xff" * 9)
        if self.bus.reset():
            self.bus.select_rom(rom)
            self.bus.writebyte(0xBE)  # READ SCRATCHPAD
            self.bus.readinto(pad)
        celsius, fault = decode(pad)
        name = sensor_name(rom)
        if fault:
            return {"n": name + "/fault", "vs": fault}
        return {"n": name + "/temperature", "u": "Cel", "v": celsius}


class Lamp:
    """A lamp seen by a photo-sensor: on above one level, off below another, unchanged in between."""

    def __init__(self, what, adc, on_level=39300, off_level=26200):  # of 65535: 60 % and 40 %
        self.what, self.adc = what, adc
        self.on_level, self.off_level = on_level, off_level
        self.on = False

    def record(self):
        """Look for one period of 50 Hz mains, since pilot lamps flicker, and return the record."""
        total = 0
        for _ in range(20):
            total += self.adc.read_u16()
            time.sleep_ms(1)
        level = total // 20
        if level >= self.on_level:
            self.on = True
        elif level <= self.off_level:
            self.on = False
        return {"n": self.what, "vb": self.on}
