"""Defences against whoever should not get in, and against texts that try to be more than text."""

from defence import defence

KEYS = "tests/security/test_keys_and_warnings.py"
POISON = "tests/security/test_poison.py"
SOURCE = "tests/security/test_no_dangerous_calls.py"
CONTROL = "tests/control/test_server.py"
MODES = "tests/security/test_file_modes.py"
CODES = "tankwatch/notify/codes.py"

DEFENCES = [
    defence(
        "safe-json",
        "JSON on a terminal steers nothing, and is the same to a program",
        "tankwatch/safetext.py",
        "return _NOT_PLAIN.sub(_json_escape, text)",
        "return text",
        f"{POISON}::test_steps_as_words_and_as_json",
    ),
    defence(
        "errors-are-plain",
        "an error that quotes a wrong file steers no terminal",
        "tankwatch/safetext.py",
        'return "\\n".join(safe_text(line, limit) for line in text.split("\\n"))',
        "return text",
        f"{POISON}::test_errors_on_stderr",
    ),
    defence(
        "no-formulas",
        "a name in an exported table is no formula",
        "tankwatch/transfer/csv_file.py",
        '_guarded(row.mark_by or "")',
        'row.mark_by or ""',
        f"{POISON}::test_the_exported_table",
    ),
    defence(
        "the-log-is-plain",
        "a payload in the log steers no terminal",
        "tankwatch/watch/logs.py",
        "safe_text(line, _LONGEST_LINE) for line in lines",
        "line for line in lines",
        f"{POISON}::test_the_log",
    ),
    defence(
        "key-is-ours-alone",
        "a key that others may know signs nothing",
        CODES,
        "if not is_trusted(found.st_uid) or mode & 0o077:",
        "if False:",
        f"{KEYS}::test_a_key_open_to_others_is_given_up_and_told",
    ),
    defence(
        "key-is-no-link",
        "a key put there by a link signs nothing",
        CODES,
        "os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC",
        "os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC",
        f"{KEYS}::test_a_link_in_place_of_the_key_is_not_followed",
    ),
    defence(
        "constant-time",
        "the time of an answer tells nothing of a signature",
        CODES,
        "not hmac.compare_digest(signature.encode(), wanted.encode())",
        "signature != wanted",
        f"{SOURCE}::test_what_is_compared_with_a_secret_goes_through_compare_digest",
    ),
    defence(
        "tokens-expire",
        "a token that has expired acknowledges nothing",
        CODES,
        'if now_s > fields["x"]:',
        "if False:",
        "tests/notify/test_words_and_secrets.py::test_a_token_is_read_back_expires_and_cannot_be_changed",
    ),
    defence(
        "peer-is-checked",
        "the control socket turns another user away",
        "tankwatch/control/server.py",
        "if not is_trusted(uid):",
        "if False:",
        f"{CONTROL}::test_another_user_is_turned_away",
    ),
    defence(
        "socket-is-ours-alone",
        "nobody else can open the control socket",
        "tankwatch/control/server.py",
        "os.chmod(self.path, 0o600)",
        "os.chmod(self.path, 0o666)",
        f"{CONTROL}::test_socket_and_folder_belong_to_the_user_alone",
    ),
    defence(
        "files-not-for-others-to-write",
        "nobody else can write the store, its log or its lock",
        "tankwatch/watch/run.py",
        "os.umask(os.umask(0o077) | 0o022)",
        "os.umask(0)",
        "tests/security/test_open_ports.py",
    ),
    defence(
        "store-is-ours-alone",
        "nobody else can read the store, its log or a store that was taken in",
        "tankwatch/store/connection.py",
        "os.O_CLOEXEC, 0o600))",
        "os.O_CLOEXEC, 0o666))",
        f"{MODES}::test_store_log_and_backup_are_for_their_owner_alone_whatever_the_umask",
    ),
    defence(
        "backup-is-ours-alone",
        "nobody else can read a copy of the store",
        "tankwatch/transfer/backup.py",
        "            make_private(partial)\n",
        "",
        f"{MODES}::test_store_log_and_backup_are_for_their_owner_alone_whatever_the_umask",
    ),
    defence(
        "another-user-is-turned-away",
        "a second user whom the modes let in is turned away by the kernel's word",
        "tankwatch/control/peer.py",
        "return uid is None or uid in {0, os.getuid()}",
        "return True",
        "tests/security/test_another_user.py",
    ),
    defence(
        "loopback-is-an-address",
        "a password to another machine in the open is told",
        "tankwatch/config.py",
        "return ipaddress.ip_address(host).is_loopback",
        'return host.startswith("127.")',
        f"{KEYS}::test_a_password_in_the_open_is_told_unless_it_stays_on_this_machine",
    ),
    defence(
        "an-unproven-server-is-told",
        "a central store on the network that proves nothing is told",
        "tankwatch/config.py",
        'if not is_here and mode not in {"verify-ca", "verify-full"}:',
        "if False:",
        f"{KEYS}::test_a_central_store_that_proves_nothing_is_told",
    ),
    defence(
        "programs-get-no-secrets",
        "a program of the keeper's gets no password of the watch",
        "tankwatch/notify/command_way.py",
        "kept = {name: os.environ[name] for name in _PASSED_ON if name in os.environ}",
        "kept = dict(os.environ)",
        "tests/notify/test_delivery.py::test_a_program_gets_the_message_on_standard_input_and_no_secret_of_the_watch",
    ),
]
