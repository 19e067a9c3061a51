"""Defences against kills, disks, links and clocks."""

from defence import Defence, Edit

DEFENCES = [
    Defence(
        name="one-writer",
        promise="a second watch over one store is refused",
        edits=(
            Edit(
                "tankwatch/store/opening.py",
                "fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)",
                "fcntl.flock(file, fcntl.LOCK_UN)",
            ),
        ),
        tests=(
            "tests/store/test_store_writer.py::test_a_second_watch_is_refused_until_the_first_has_stopped",
        ),
    ),
    Defence(
        name="events-committed-full",
        promise="steps, marks and log entries are on the disk when their commit returns",
        edits=(
            Edit(
                "tankwatch/store/writer_thread.py",
                'connection.execute("PRAGMA synchronous = FULL")',
                'connection.execute("PRAGMA synchronous = NORMAL")',
            ),
        ),
        tests=("tests/store/test_store_writer.py::test_steps_are_committed_full_and_readings_normal",),
    ),
]
