"""Defences against hostile input: nothing unsound gets in, nothing invented fills the memory."""

from defence import defence

FUZZ = "tests/fuzz/test_fuzz_corpus.py::test_kept_inputs_and_seeds"
SHAPE = "tests/decode/test_shape.py"
DECODE = "tankwatch/decode"

DEFENCES = [
    defence(
        "text-is-made-safe",
        "text from outside is shown as one printable line",
        "tankwatch/safetext.py",
        "plain = character.isprintable()",
        "plain = True",
        f"{FUZZ}[texts]",
    ),
    defence(
        "letters-bear-few-marks",
        "no stack of combining marks runs over the lines above and below",
        "tankwatch/safetext.py",
        "plain = marks <= _FIT_FOR_A_STACK",
        "plain = True",
        "tests/test_safetext.py",
    ),
    defence(
        "csv-rows-that-are-none",
        "a row of a CSV file that is none is refused, and the import goes on",
        "tankwatch/transfer/csv_rows.py",
        "except csv.Error as error:  # a field",
        "except KeyError as error:  # a field",
        f"{FUZZ}[logger-files]",
    ),
    defence(
        "shapes-have-one-meaning",
        "a number that looks like the place of another is never taken for it",
        f"{DECODE}/shape.py",
        "if unplaced or count != len(marks) or not names:",
        "if unplaced or not names:",
        f"{SHAPE}::test_odd_packs_say_the_same_twice",
    ),
    defence(
        "numbers-stay-in-bounds",
        "a number beyond what a double holds is refused, however it is read",
        f"{DECODE}/shape.py",
        "if not -_LARGEST_VALUE < value < _LARGEST_VALUE:",
        "if False:",
        f"{SHAPE}",
        f"{FUZZ}[shapes]",
    ),
    defence(
        "shapes-are-bounded",
        "payloads that never say the same do not fill the memory",
        f"{DECODE}/shape.py",
        "if len(self._known) >= self._most:",
        "if False:",
        f"{SHAPE}::test_names_that_never_come_again_do_not_fill_the_memory",
    ),
    defence(
        "names-are-bounded",
        "invented names of records do not fill the memory",
        f"{DECODE}/decoder.py",
        "if len(self._routes) >= _MAX_ROUTES:",
        "if False:",
        "tests/decode/test_decoder.py::test_invented_names_do_not_fill_the_memory",
    ),
    defence(
        "topics-are-bounded",
        "invented topics do not fill the memory",
        "tankwatch/sources/topics.py",
        "if len(self._decoders) >= _MAX_TOPICS:",
        "if False:",
        "tests/sources/test_topics.py::test_invented_topics_do_not_fill_the_memory",
    ),
    defence(
        "streams-are-bounded",
        "listening to a flood of topics keeps a bounded number of streams, and counts the rest",
        "tankwatch/listen/listen.py",
        "if len(self.streams) >= MOST_STREAMS:",
        "if False:",
        "tests/listen/test_listen_judgement.py::test_a_flood_of_streams_is_bounded",
    ),
    defence(
        "absurd-values-stay-out",
        "a value that nothing on its channel can measure is refused",
        f"{DECODE}/units.py",
        "if not low <= value <= high:",
        "if False:",
        f"{FUZZ}[packs]",
        "tests/decode/test_decoder.py",
    ),
    defence(
        "a-state-is-on-or-off",
        "an import takes no heater or light that is neither on nor off",
        "tankwatch/transfer/taken.py",
        "elif value not in (0.0, 1.0):",
        "elif False:",
        f"{FUZZ}[senml-files]",
    ),
    defence(
        "no-sensor-measures-that",
        "a 1-wire figure beyond the sensor's range is no temperature",
        f"{DECODE}/w1_slave.py",
        "if not COLDEST_C <= value_c <= WARMEST_C and abs(value_c - LOW_SUPPLY_C) > 0.001:",
        "if False:",
        f"{FUZZ}[w1]",
    ),
    defence(
        "a-proposal-loads",
        "what listening proposes is a configuration that loads",
        "tankwatch/listen/propose.py",
        "if tanks and _refusal(whole) is not None:",
        "if False:",
        f"{FUZZ}[streams]",
    ),
    defence(
        "mains-are-no-watts",
        "whether the mains are there is never taken for the heater's watts",
        "tankwatch/transfer/senml_file.py",
        "if channel is Channel.POWER and isinstance(value, bool):",
        "if False:",
        "tests/transfer/test_transfer_round_trip.py",
    ),
]
