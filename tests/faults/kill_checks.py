"""What must hold of the store of a watch that was killed, against what was seen of it."""

import shutil
import sqlite3
import tempfile
from collections import Counter
from contextlib import closing
from pathlib import Path
from typing import Any

from hurried_watch import SAVE_EVERY_S
from load import Pace, Seen

from tankwatch.alarms.model import AlarmState
from tankwatch.reading import Channel
from tankwatch.store.reader import StoreReader
from tankwatch.watch.judge import MEMORY_KEY

EVENT_WINDOW_S = 1.0
"""A step of an alarm that was shown for so long is on the disk; what was answered is at once."""


class Checks:
    """Asks the store after each kill, and remembers what was found before."""

    def __init__(self, path: Path, seen: Seen, pace: Pace, start_s: float) -> None:
        """Check the store at `path`."""
        self.path = path
        self.reader = StoreReader(path)
        self.seen = seen
        self.pace = pace
        self.start_s = start_s
        self.certain: list[set[int]] = [set() for _ in range(pace.tanks)]
        """Of each tank, the numbers of packs that must be there."""
        self.youngest_lost_s = 0.0
        self._who_is: dict[int, tuple[Any, ...]] = {}
        self.cycles = 0
        self._stood: set[int] = set()
        """Alarms that stood when the life before ended."""

    def after(self, killed_s: float) -> None:
        """Check all that the promises say; the watch was killed at `killed_s`, monotonic."""
        self._file_is_sound()
        self._readings_are_there_once(killed_s)
        self._answers_are_there_once()
        self._steps_are_whole(killed_s)
        self._what_was_learned_is_kept(killed_s)
        self.seen.pictures.clear()

    def _file_is_sound(self) -> None:
        assert not list(self.path.parent.glob(f"{self.path.name}.damaged*"))
        with tempfile.TemporaryDirectory() as folder:
            copy = Path(folder) / self.path.name
            for suffix in ("", "-wal"):
                beside = self.path.with_name(self.path.name + suffix)
                if beside.exists():
                    shutil.copy(beside, copy.with_name(copy.name + suffix))
            with closing(sqlite3.connect(copy)) as connection:
                assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]

    def _readings_are_there_once(self, killed_s: float) -> None:
        pictures = self.seen.pictures
        for tank in range(self.pace.tanks):
            numbers = [
                (at_s, int(value.value))
                for at_s, picture in pictures
                if (value := picture.tanks[tank].values.get("flow")) is not None
            ]
            old = [number for at_s, number in numbers if at_s <= killed_s - self.pace.window_s]
            first = min((number for _, number in numbers), default=0)
            self.certain[tank].update(range(first, max(old, default=first - 1) + 1))
            for channel in (Channel.FLOW, Channel.TEMPERATURE, Channel.HEATER):
                series = self.reader.series(f"t{tank:03}", channel, 0.0, 1e11)
                found = [
                    round((time_s - self.start_s) / self.pace.step_s) for time_s in series.time_s.tolist()
                ]
                assert len(found) == len(set(found)), f"t{tank:03} {channel}: a reading is there twice"
                lost = self.certain[tank].difference(found)
                assert not lost, f"t{tank:03} {channel}: lost {sorted(lost)[:5]} of {len(lost)}"
                if channel is Channel.FLOW:
                    assert [float(number) for number in found] == series.mean.tolist()
                    stored = max(found, default=-1)
                    ages = [killed_s - at_s for at_s, number in numbers if number > stored]
                    self.youngest_lost_s = max([self.youngest_lost_s, *ages])
        # What is on the disk now must stay there through all kills to come.
        for tank in range(self.pace.tanks):
            series = self.reader.series(f"t{tank:03}", Channel.FLOW, 0.0, 1e11)
            self.certain[tank].update(int(number) for number in series.mean.tolist())

    def _answers_are_there_once(self) -> None:
        entries = Counter(entry.text for entry in self.reader.log())
        for text in self.seen.entries:
            assert entries[text] == 1, f"entry {text} is there {entries[text]} times"
        marks = Counter(mark.who for mark in self.reader.marks())
        for who in self.seen.marks:
            assert marks[who] == 1, f"mark of {who} is there {marks[who]} times"
        steps = Counter((step.who, step.alarm.alarm_id) for step in self.reader.steps(0.0, 1e11))
        for who, (number, _) in self.seen.acknowledged.items():
            assert steps[who, number] == 1, f"{who}, alarm {number}: {steps[who, number]} times"

    def _steps_are_whole(self, killed_s: float) -> None:
        with closing(sqlite3.connect(f"file:{self.path}?mode=ro", uri=True)) as connection:
            rows = connection.execute(
                "SELECT alarm_id, tank, condition, subject, from_state, state FROM step ORDER BY step_id"
            ).fetchall()
        states: dict[int, str] = {}
        reached: set[tuple[int, str]] = set()
        for number, *who, from_state, state in rows:
            assert states.get(number, AlarmState.NORMAL) == from_state, f"alarm {number}: a step is missing"
            states[number] = state
            reached.add((number, state))
            assert self._who_is.setdefault(number, tuple(who)) == tuple(who), (
                f"number {number} was used twice"
            )
        if self.seen.pictures:
            first = {alarm.alarm_id for alarm in self.seen.pictures[0][1].alarms}
            ended = {number for number, state in states.items() if state == AlarmState.NORMAL}
            forgotten = self._stood - first - ended
            assert not forgotten, f"alarms {sorted(forgotten)} stood before the kill and are forgotten"
        self._stood = {number for number, state in states.items() if state != AlarmState.NORMAL}
        for at_s, picture in self.seen.pictures:
            for alarm in picture.alarms:
                if alarm.alarm_id == 0:
                    continue
                who = [alarm.tank, alarm.condition.value, alarm.subject]
                assert self._who_is.setdefault(alarm.alarm_id, tuple(who)) == tuple(who)
                if at_s <= killed_s - EVENT_WINDOW_S:
                    assert (alarm.alarm_id, alarm.state) in reached, f"alarm {alarm} was shown and is lost"

    def _what_was_learned_is_kept(self, killed_s: float) -> None:
        pictures = self.seen.pictures
        if pictures:
            assert pictures[0][1].tanks[0].model.cycles_seen >= self.cycles, "what was learned is lost"
        kept_s = killed_s - SAVE_EVERY_S - self.pace.window_s
        old = [picture.tanks[0].model.cycles_seen for at_s, picture in pictures if at_s <= kept_s]
        self.cycles = max([self.cycles, *old])
        if old:
            assert self.reader.memory(MEMORY_KEY) is not None
