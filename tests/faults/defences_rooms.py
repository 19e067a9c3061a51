"""Defences of many rooms: nothing old looks new, nobody acknowledges who may not, and silence is told."""

from defence import Defence, Edit, defence

BRIDGE = "tests/rooms/test_bridge.py"
CHANGES = "tests/rooms/test_changes.py"
HUB = "tests/rooms/test_hub.py"
PUBLISHER = "tests/rooms/test_publisher.py"
ROOMS = "tankwatch/rooms"

DEFENCES = [
    defence(
        "kept-is-no-sign-of-life",
        "what a broker kept does not make a room look alive",
        f"{ROOMS}/pulse.py",
        "if not retained and not is_late:",
        "if not is_late:",
        f"{HUB}::TestSignsOfLife::test_what_the_broker_kept_is_no_sign_of_life",
    ),
    Defence(
        "repeated-is-no-sign-of-life",
        "what a bridge says again does not make a room look alive",
        (
            Edit(f"{ROOMS}/pulse.py", "if said.up_s <= before.up_s:", "if False:"),
            Edit(f"{ROOMS}/heard.py", "before.run == said.run and said.up_s <= before.up_s", "False"),
        ),
        (f"{HUB}::TestSignsOfLife::test_what_a_bridge_repeats_as_new_is_no_sign_of_life",),
    ),
    defence(
        "late-is-no-sign-of-life",
        "what was said during an outage and comes after it does not make a room look alive",
        f"{ROOMS}/pulse.py",
        "is_late = lag_s - self._least_lag_s > limit_s and not self._lags_steadily(lag_s, now_s)",
        "is_late = False",
        f"{HUB}::TestLateNews::test_status_made_during_the_outage_is_old_news",
    ),
    defence(
        "an-old-will-is-not-believed",
        "the last will of a connection before this one does not make a room look dead",
        f"{ROOMS}/heard.py",
        "newest.connection > said.connection",
        "False",
        f"{HUB}::TestSignsOfLife::test_the_will_of_an_older_connection_said_late_is_not_believed",
    ),
    defence(
        "a-tank-not-renewed-is-stale",
        "a status that was lost does not leave a good value on the screen for ever",
        f"{ROOMS}/heard.py",
        "forgotten = older_s > FULL_ROUNDS_MISSED * full_s",
        "forgotten = False",
        f"{HUB}::TestPicture::test_a_tank_that_is_not_renewed_goes_stale_though_its_room_lives",
    ),
    defence(
        "no-picture-no-sign-of-life",
        "a watch whose judge has died gives no sign of life, though its publisher lives",
        f"{ROOMS}/publisher.py",
        "if now_s >= turn.beat_s and now_s - self._newest_s < PICTURE_WITHIN_S:",
        "if now_s >= turn.beat_s:",
        f"{PUBLISHER}::test_a_watch_without_pictures_gives_no_sign_of_life",
    ),
    defence(
        "an-old-acknowledgement-is-refused",
        "an acknowledgement that comes late, or is for another run, acknowledges nothing",
        f"{ROOMS}/publisher.py",
        "if wanted.run != self._run or not -TOO_LATE_S <= late_s <= TOO_LATE_S:",
        "if False:",
        f"{BRIDGE}::test_who_may_only_look_sees_all_and_acknowledges_nothing",
    ),
    defence(
        "a-refused-status-is-told",
        "a broker that takes nothing of what is published is an alarm",
        f"{ROOMS}/publisher.py",
        "if turn.session.refusal:",
        "if False:",
        f"{PUBLISHER}::test_a_broker_that_refuses_what_is_published_is_told_and_the_room_is_watched_all_the_same",
    ),
    defence(
        "a-dead-room-is-told",
        "a room that signed off is an alarm at the centre",
        f"{ROOMS}/links.py",
        'state = "lost" if now_s - since_s >= self._lost_after_s else "connecting"',
        'state = "connecting"',
        f"{BRIDGE}::test_a_watch_that_dies_is_an_alarm_at_the_centre_and_told",
    ),
    defence(
        "a-silent-room-is-told",
        "a room that is cut off is an alarm at the centre",
        f"{ROOMS}/links.py",
        'state = _STATES.get(status.word, "lost") if can_hear else "connecting"',
        'state = _STATES.get(status.word, "connecting")',
        f"{BRIDGE}::test_a_room_that_is_cut_off_is_an_alarm_at_the_centre_for_as_long",
        slow=True,
    ),
    defence(
        "one-broker-one-alarm",
        "a broker away at the centre is one alarm, not one of each room",
        f"{ROOMS}/links.py",
        'can_hear = self._ear.health().state == "connected"',
        "can_hear = True",
        f"{BRIDGE}::test_a_broker_away_at_the_centre_is_one_fault_and_not_one_of_each_room",
        slow=True,
    ),
    defence(
        "numbers-from-afar-are-bounded",
        "no number, text or nesting of a document breaks what draws it",
        f"{ROOMS}/documents.py",
        "    _check(content, _DEEPEST)\n",
        "",
        f"{HUB}::TestHostile::test_a_tank_that_cannot_be_is_refused",
    ),
    defence(
        "rooms-are-bounded",
        "the number of rooms that are taken is bounded",
        f"{ROOMS}/hub.py",
        "if room is None and len(self._rooms) < ROOMS_AT_MOST:",
        "if room is None:",
        f"{HUB}::TestHostile::test_the_number_of_rooms_and_tanks_is_bounded_and_that_is_told",
    ),
    defence(
        "statuses-are-bounded",
        "a room never sends more statuses a second than agreed",
        f"{ROOMS}/changes.py",
        "if self._allowance < 1.0:",
        "if False:",
        f"{CHANGES}::test_the_rate_is_bounded_and_nothing_is_forgotten_over_it",
    ),
    defence(
        "acknowledging-waits-for-the-room",
        "nothing is told as acknowledged before the room says so",
        "tankwatch/screen/rooms/feed.py",
        "while self._still_open(alarm_ids):",
        "while False:",
        "tests/screen/test_rooms_screen.py::test_acknowledging_waits_for_the_room_to_say_so",
    ),
]
