"""Defences of a split room: no tank judged by two, none left unwatched, nothing told twice."""

from defence import Defence, Edit, defence

LEASES = "tests/split/test_leases.py"
MOVING = "tests/split/test_moving.py"
TENANT = "tests/split/test_tenant.py"
SPLIT = "tankwatch/split"

DEFENCES = [
    defence(
        "a-lease-is-let-run-out",
        "what another watch holds is not taken before its lease is over",
        f"{SPLIT}/leases.py",
        "elif holder is None and not request.leaves",
        "elif not request.leaves",
        f"{LEASES}::test_the_tanks_of_a_dead_watch_are_taken_when_its_lease_is_over_and_not_before",
        f"{LEASES}::test_whatever_happens_a_tank_has_one_holder_and_is_taken_when_free",
    ),
    defence(
        "a-run-is-not-its-name",
        "a process started anew does not hold what its forerunner held until it has taken it",
        f"{SPLIT}/leases.py",
        "return hold.holder if lease is not None and lease.run == hold.run else None",
        "return hold.holder if lease is not None else None",
        f"{LEASES}::test_a_second_process_of_one_name_waits_unless_the_first_is_known_dead",
    ),
    Defence(
        "a-turn-is-taken-alone",
        "two watches that take a turn at once do not both take a tank",
        (
            Edit(
                f"{SPLIT}/postgres_leases.py",
                'connection.execute("SELECT pg_advisory_xact_lock(%s, hashtext(%s))", (_LOCK, self._room))',
                "pass",
            ),
        ),
        (f"{LEASES}::test_many_watches_at_once_never_hold_one_tank_together[postgres]",),
    ),
    Defence(
        "a-turn-on-a-file-is-taken-alone",
        "the same where the leases lie in a file",
        (
            Edit(f"{SPLIT}/sqlite_leases.py", 'connection.execute("BEGIN IMMEDIATE")', "pass"),
            Edit(f"{SPLIT}/sqlite_leases.py", '            connection.execute("COMMIT")\n', ""),
        ),
        (f"{LEASES}::test_many_watches_at_once_never_hold_one_tank_together[sqlite]",),
    ),
    defence(
        "tanks-do-not-go-to-and-fro",
        "a watch that has just come does not pull its tanks at once",
        f"{SPLIT}/leases.py",
        "n == me or now_s - other.since_s >= request.lease_s",
        "True",
        f"{LEASES}::test_tanks_move_to_a_second_watch_when_it_has_lived_for_a_lease_and_they_are_let_go",
    ),
    defence(
        "held-up-judges-nothing",
        "a watch that was held up past its lease judges and stores nothing when it wakes",
        f"{SPLIT}/portion.py",
        "        if not self.is_open:\n            return []\n",
        "",
        f"{TENANT}::test_a_watch_that_was_held_up_judges_nothing_when_it_wakes",
    ),
    defence(
        "held-up-tells-nothing",
        "a step that was not handed on when the lease ended is not told unless the tank is still held",
        f"{SPLIT}/portion.py",
        "        if self.is_open:\n            self._held_back = []\n            return waiting\n",
        "        return waiting\n",
        f"{TENANT}::test_a_step_of_a_tank_that_was_taken_meanwhile_is_never_told",
    ),
    defence(
        "the-holder-ends-first",
        "a holder counts its lease from before it asked, so that it ends before its keeper's",
        f"{SPLIT}/tenant.py",
        "        return standing, asked_s + self._lease_s - self._margin_s",
        "        return standing, self._clock.monotonic_s() + self._lease_s",
        f"{TENANT}::test_the_lease_of_its_holder_ends_before_that_of_its_keeper",
    ),
    defence(
        "a-judge-that-hangs-loses-its-tanks",
        "a watch whose judge stands still does not renew its lease",
        f"{SPLIT}/tenant.py",
        "stuck = now_s - self._judge_beat() > self._renew_s",
        "stuck = False",
        f"{TENANT}::test_a_judge_that_stands_still_loses_its_tanks",
    ),
    defence(
        "cut-off-goes-on",
        "where nobody reaches the leases no tank is left unwatched",
        f"{SPLIT}/tenant.py",
        "if failing_s < self._renew_s or now_s + self._look_s < self._portion.until_s:",
        "if True:",
        f"{TENANT}::test_cut_off_from_the_leases_a_watch_goes_on_without_a_gap_and_in_time_takes_all",
    ),
    defence(
        "one-that-woke-asks-first",
        "a watch that wakes and does not reach the leases asks for some time before it goes on",
        f"{SPLIT}/tenant.py",
        "if failing_s < self._renew_s or now_s + self._look_s < self._portion.until_s:",
        "if now_s + self._look_s < self._portion.until_s:",
        f"{TENANT}::test_one_that_wakes_cut_off_does_not_go_on_at_once",
    ),
    defence(
        "not-delivered-is-told-anew",
        "a message that a watch made and did not deliver before it died is told by the next",
        f"{SPLIT}/moving.py",
        '{**cases[str(number)], "told": {}}',
        "cases[str(number)]",
        f"{MOVING}::test_a_message_that_was_made_and_not_delivered_is_told_anew",
    ),
    Defence(
        "numbers-are-dealt-out",
        "no two watches give one number to two alarms",
        (Edit("tankwatch/alarms/book.py", "first + (dealt[0] - first) % self._among", "first"),),
        (f"{MOVING}::test_no_two_watches_give_one_number_to_two_alarms",),
    ),
    defence(
        "people-are-told-by-the-holder",
        "people are told of a tank only by the watch that holds it",
        "tankwatch/notify/notifier.py",
        "return tuple(alarm for alarm in snapshot.alarms if portion.has(alarm.tank))",
        "return snapshot.alarms",
        f"{MOVING}::test_people_are_told_of_what_this_watch_holds_while_its_lease_stands",
    ),
    defence(
        "what-was-told-goes-along",
        "whoever was told of an alarm is not told again when its tank moves",
        "tankwatch/notify/dispatch.py",
        "                self._elsewhere[number] = case_as_json(self._cases.pop(number))",
        "                del self._cases[number]",
        f"{MOVING}::test_people_are_told_of_what_this_watch_holds_while_its_lease_stands",
    ),
]
