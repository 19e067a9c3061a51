# Packs that wait for the broker, each with the moment it was taken; the oldest goes when there is no room.
import time


class Backlog:
    def __init__(self, most):
        self.most = most
        self._waiting = []

    def __len__(self):
        return len(self._waiting)

    def add(self, records):
        if len(self._waiting) == self.most:
            self._waiting.pop(0)
        self._waiting.append((time.ticks_ms(), records))

    def oldest(self):
        """Return the age in seconds and the records of the oldest pack."""
        taken_ms, records = self._waiting[0]
        return time.ticks_diff(time.ticks_ms(), taken_ms) // 1000, records

    def drop(self):
        self._waiting.pop(0)
