# Stands in for the 1-wire driver: each sensor is a ROM code and the nine bytes of its scratchpad, in
# hexadecimal.
from machine import state


class OneWire:
    def __init__(self, pin):
        self.pin = pin
        self._selected = None

    def scan(self):
        return [bytearray(bytes.fromhex(rom)) for rom in sorted(state()["sensors"])]

    def reset(self, required=False):
        self._selected = None
        return bool(state()["sensors"])

    def select_rom(self, rom):
        self._selected = "".join("%02x" % byte for byte in rom)

    def writebyte(self, value):
        pass

    def readinto(self, buffer):
        pad = state()["sensors"].get(self._selected)
        if pad is not None:
            buffer[:] = bytes.fromhex(pad)
