# The time of day from a time server (SNTP, RFC 4330), counted on by the processor's own milliseconds.
import socket
import struct
import time

_SECONDS_1900_TO_1970 = 2208988800


class WallClock:
    """Whole seconds since 1970 UTC. Integers throughout: small processors have 32-bit floats."""

    def __init__(self):
        self._epoch_s = None
        self._ticks_ms = 0

    def ask(self, host, port=123, timeout_s=2):
        """Ask a time server once; return whether it has answered."""
        s = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            s.settimeout(timeout_s)
            s.sendto(b"\x1b" + 47 * b"\0", socket.getaddrinfo(host, port)[0][-1])  # version 3, client
            answer = s.recv(48)
        except OSError:
            return False
        finally:
            s.close()
        seconds = struct.unpack("!I", answer[40:44])[0] if len(answer) == 48 else 0
        if answer[0] & 7 != 4 or answer[1] == 0 or seconds == 0:  # no server, or one that does not know
            return False
        if seconds < 0x80000000:  # from the year 2036 on the count begins anew
            seconds += 1 << 32
        self._epoch_s = seconds - _SECONDS_1900_TO_1970
        self._ticks_ms = time.ticks_ms()
        return True

    def now_s(self):
        """Return the time, or None while no server has answered. Call at least once a day."""
        if self._epoch_s is None:
            return None
        passed_s = time.ticks_diff(time.ticks_ms(), self._ticks_ms) // 1000
        self._epoch_s += passed_s
        self._ticks_ms = time.ticks_add(self._ticks_ms, passed_s * 1000)
        return self._epoch_s
