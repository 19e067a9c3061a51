"""Defences against kills, disks, links and clocks."""

from defence import defence

ANSWER = "tests/faults/test_answer_means_kept.py"
STORE = "tankwatch/store"

DEFENCES = [
    defence(
        "one-writer",
        "a second watch over one store is refused",
        f"{STORE}/opening.py",
        "fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)",
        "fcntl.flock(file, fcntl.LOCK_UN)",
        "tests/store/test_store_writer.py::test_a_second_watch_is_refused_until_the_first_has_stopped",
    ),
    defence(
        "events-committed-full",
        "steps, marks and log entries are on the disk when their commit returns",
        f"{STORE}/writer_thread.py",
        'connection.execute("PRAGMA synchronous = FULL")',
        'connection.execute("PRAGMA synchronous = NORMAL")',
        "tests/store/test_store_writer.py::test_steps_are_committed_full_and_readings_normal",
    ),
    defence(
        "answer-waits-for-the-disk",
        "what is answered as done is on the disk, or is told as not yet kept",
        "tankwatch/watch/run.py",
        "ControlServer(self.socket_path, self._judge.carry, self._store.kept)",
        "ControlServer(self.socket_path, self._judge.carry)",
        f"{ANSWER}::test_while_the_disk_takes_nothing_it_is_done_in_memory_told_and_written_once_later",
    ),
    defence(
        "steps-before-the-answer",
        "the steps that an action makes are handed to the store before it is answered",
        "tankwatch/watch/judge.py",
        "self._keep_steps()  # before the answer",
        "pass  # before the answer",
        "tests/watch/test_judge.py::test_steps_of_an_action_are_handed_to_the_store_before_it_is_answered",
    ),
    defence(
        "alarm-numbers-set-apart",
        "no alarm number is given twice, even one that was only ever shown",
        f"{STORE}/reader.py",
        "max(1 if last is None else int(last) + 1, numbers.beyond(self.memory(numbers.KEY)))",
        "1 if last is None else int(last) + 1",
        "tests/store/test_store_numbers.py::test_what_a_killed_watch_may_have_shown_is_left_out",
    ),
]
