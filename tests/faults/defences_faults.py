"""Defences against kills, disks, links and clocks."""

from defence import defence

ANSWER = "tests/faults/test_answer_means_kept.py"
DISK = "tests/faults/test_disk.py"
KILLS = "tests/faults/test_kills.py"
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
    defence(
        "judge-from-memory",
        "the judge never waits for the disk",
        f"{STORE}/writer.py",
        "        events: list[Event] = [(rows.INSERT_STEP, rows.step_row(step)) for step in steps]\n",
        "        events: list[Event] = [(rows.INSERT_STEP, rows.step_row(step)) for step in steps]\n"
        "        self.flush(60.0)\n",
        f"{DISK}::test_a_disk_that_refuses_is_told_and_all_is_written_when_it_takes_again",
    ),
    defence(
        "a-refused-batch-is-kept",
        "readings that the disk refuses wait in memory and are written when it takes again",
        f"{STORE}/writer_thread.py",
        "self._backlog.give_back(batch)",
        "self._backlog.settle(len(batch), 0)",
        f"{DISK}::test_a_disk_that_refuses_is_told_and_all_is_written_when_it_takes_again",
    ),
    defence(
        "store-behind-is-told",
        "a store in trouble is an alarm",
        "tankwatch/watch/judge.py",
        'store.state != "fine"',
        "False",
        f"{DISK}::test_a_disk_that_refuses_is_told_and_all_is_written_when_it_takes_again",
    ),
    defence(
        "a-new-store-learns-what-stands",
        "a store that is deleted while the watch runs is begun anew, with what stands and the numbers",
        "tankwatch/watch/run.py",
        "self._store.when_begun_anew(self._tell_store_again)",
        "pass",
        f"{DISK}::test_a_store_that_is_deleted_is_begun_anew_and_the_next_watch_knows_what_stood",
    ),
    defence(
        "a-lost-file-is-noticed",
        "a store that is deleted while the watch runs is begun anew",
        f"{STORE}/writer_thread.py",
        "_file_id(self._path) != self._file_id",
        "False",
        f"{DISK}::test_a_store_that_is_deleted_is_begun_anew_and_the_next_watch_knows_what_stood",
    ),
    defence(
        "what-waits-too-long-is-written",
        "readings are on the disk within the stated window",
        f"{STORE}/writer_thread.py",
        "batch_due_s = now_s + self._batch_s * _stretch(count)",
        "batch_due_s = now_s + 3600.0",
        f"{KILLS}::test_a_few_kills_lose_and_double_nothing_that_was_promised",
    ),
    defence(
        "what-stood-is-restored",
        "after a kill the watch goes on with the alarms that stood, and no step is missing",
        "tankwatch/watch/run.py",
        "standing=reader.standing_alarms(),",
        "standing=[],",
        f"{KILLS}::test_two_hundred_kills_lose_and_double_nothing_that_was_promised",
        slow=True,
    ),
    defence(
        "what-was-learned-is-restored",
        "after a kill the model goes on with what it learned",
        "tankwatch/watch/run.py",
        "memory=reader.memory(MEMORY_KEY),",
        "memory=None,",
        f"{KILLS}::test_two_hundred_kills_lose_and_double_nothing_that_was_promised",
        slow=True,
    ),
    defence(
        "a-message-waits-in-the-outbox",
        "a message that was not taken is sent after a restart",
        "tankwatch/watch/telling.py",
        'return reader.outbox("waiting")',
        "return []",
        "tests/notify/test_delivery.py::test_killed_between_attempt_and_confirmation_it_comes_again_with_the_same_id",
        f"{KILLS}::test_two_hundred_kills_lose_and_double_nothing_that_was_promised",
    ),
]
