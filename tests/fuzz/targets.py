"""What is fed with bytes from outside, and what must hold whatever they are.

Each target takes bytes and raises if something does not hold; a refusal of the documented kind is fine. They
run under coverage-guided fuzzing (`run.py`) and over the kept corpus in every run of the tests.
"""

import io
import json
import math
import tempfile
import tomllib
from collections.abc import Callable, Iterable
from pathlib import Path
from zoneinfo import ZoneInfo

from tankwatch.clock import ManualClock
from tankwatch.config import ChannelConfig, Config, load
from tankwatch.control.protocol import parse_request, request_line
from tankwatch.decode import senml, w1_slave
from tankwatch.decode.channel import BoundChannel
from tankwatch.decode.decoder import Decoder
from tankwatch.decode.lines import LineBuffer
from tankwatch.decode.refused import Refused
from tankwatch.decode.shape import Shape, Shapes
from tankwatch.decode.units import PLAUSIBLE
from tankwatch.errors import ConfigError, UsageError
from tankwatch.listen.capture import Arrival
from tankwatch.listen.listen import Listening
from tankwatch.notify.codes import Permit, Signer, tidy_code
from tankwatch.reading import KINDS, ON_OFF_CHANNELS, Channel, Reading
from tankwatch.rooms.hub import Hub
from tankwatch.rooms.topics import Topics
from tankwatch.safetext import safe_text
from tankwatch.transfer.csv_file import read_csv
from tankwatch.transfer.logger_file import Column, Mapping, read_logger
from tankwatch.transfer.senml_file import read_senml
from tankwatch.watchdog.replay import replay
from tankwatch.watchdog.watchdog import Watchdog

NOW_S = 1_790_000_000.0
SET_BEFORE_S = 978_307_200.0
"""2001: an earlier stamp comes from a clock that was never set."""


def _channels(decodes: Iterable[str]) -> list[BoundChannel]:
    return [
        BoundChannel("t01", ChannelConfig.model_validate({"kind": kind, "source": "s", "decode": way}))
        for way in decodes
        for kind in KINDS
        if (way != "onoff" or kind in (Channel.HEATER, Channel.LIGHT, Channel.SERVICE))
        and (way != "number" or kind is not Channel.SERVICE)
    ]


_PACKS = Decoder("s", _channels(["senml"]))
_POINTERS = Decoder("s", _channels(["pointer:", "pointer:/v", "pointer:/0/v", "pointer:/a~1b/1"]))
_BARE = Decoder("s", _channels(["number", "onoff"]))
_LINES = Decoder("s", _channels(["senml"]), by_line=True)
_SHAPES: Shapes[Shape] = Shapes(64, lambda shape: shape)


def _is_sound(reading: Reading) -> None:
    assert math.isfinite(reading.value), reading
    if reading.channel in ON_OFF_CHANNELS:
        assert reading.value in (0.0, 1.0), reading
    elif reading.channel in PLAUSIBLE:
        low, high = PLAUSIBLE[reading.channel]
        assert low <= reading.value <= high, reading


def _decode(decoder: Decoder, payload: bytes) -> None:
    decoded = decoder.decode(payload, NOW_S)
    assert decoded.readings or decoded.refused, "neither taken nor counted"
    for reading in decoded.readings:
        _is_sound(reading)
        assert SET_BEFORE_S <= reading.time_s <= NOW_S + 60.0, reading
    for refused in decoded.refused:
        assert refused.reason.value
        assert str(refused).isprintable(), repr(str(refused))


def _says(error: Exception, what: str = "") -> None:
    assert str(error), "an error without words"
    assert what in str(error), error


def packs(payload: bytes) -> None:
    """SenML over MQTT."""
    _decode(_PACKS, payload)


def pointers(payload: bytes) -> None:
    """JSON of any shape."""
    _decode(_POINTERS, payload)


def bare(payload: bytes) -> None:
    """Bare numbers and words."""
    _decode(_BARE, payload)


def lines(payload: bytes) -> None:
    """What comes over a serial line, in chunks."""
    buffer = LineBuffer()
    cut = payload[0] if payload else 0
    for chunk in (payload[:cut], payload[cut:], b"\n"):
        for line in buffer.feed(chunk):
            _decode(_LINES, line)


def w1(payload: bytes) -> None:
    """What the kernel says of a 1-wire sensor."""
    try:
        value_c = w1_slave.temperature_c(payload)
    except Refused:
        return
    assert w1_slave.COLDEST_C <= value_c <= w1_slave.LOW_SUPPLY_C, value_c


def shapes(payload: bytes) -> None:
    """The short way and the careful one say the same."""
    found = _SHAPES.find(payload)
    if found is None:
        return
    shape = found.meaning
    stamps = [NOW_S + t if t < senml.ABSOLUTE_FROM_S else t for t in found.times_s]
    of_record = [stamps[i] for i in shape.time_of]
    short = list(zip(shape.names, shape.units, of_record, found.values, strict=True))
    careful = [(r.name, r.unit, r.time_s, r.value) for r in senml.resolve(payload, NOW_S)]
    assert short == careful, (short, careful)


def configuration(payload: bytes) -> None:
    """The configuration file."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "tankwatch.toml"
        path.write_bytes(payload)
        try:
            config = load(path)
        except ConfigError as error:
            _says(error, "tankwatch.toml")
            return
        Watchdog(config)
        assert config.store.path.is_absolute()


def requests(payload: bytes) -> None:
    """A line from a client of the control socket."""
    try:
        request = parse_request(payload)
    except ValueError as error:
        _says(error)
        return
    assert parse_request(request_line(request)) == request


_SIGNER = Signer(b"k" * 32)
_GOOD = _SIGNER.token(Permit((1, 2), "sam", NOW_S + 60))


def tokens(payload: bytes) -> None:
    """A token or code from afar: only the very one that was given is taken."""
    text = payload.decode("latin-1")
    tidy_code(text)
    try:
        _SIGNER.read_token(text, NOW_S)
    except UsageError:
        return
    assert text.strip() == _GOOD, "a token that was never given"


_TOPICS = Topics("tankwatch")


def rooms(payload: bytes) -> None:
    """What other rooms publish: topic, line end, document."""
    hub = Hub(_TOPICS, ManualClock(), silent_after_s=60.0)
    topic, _, rest = payload.partition(b"\n")
    names = (topic.decode("utf-8", "replace"), "tankwatch/1/back/tank/t01", "tankwatch/1/back/state")
    for name in (*names, "tankwatch/1/back/online", "tankwatch/1/back/permits"):
        hub.take(name, rest, retained=False)
        hub.take(name, rest, retained=True)
    assert len(hub.statuses()) <= 2
    for status in hub.statuses():
        hub.snapshot(status.room_id)


def _import(readings: Iterable[Reading], refused: list[str]) -> None:
    for reading in readings:
        _is_sound(reading)
        assert math.isfinite(reading.time_s)
    assert all(refused), "every refusal has words"


def csv_files(payload: bytes) -> None:
    """A CSV file to import."""
    refused: list[str] = []
    text = io.StringIO(payload.decode("utf-8", "replace"), newline="")
    try:
        _import(read_csv(text, lambda number, why: refused.append(why)), refused)
    except UsageError as error:
        _says(error)


def senml_files(payload: bytes) -> None:
    """A file of SenML packs to import."""
    refused: list[str] = []
    _import(read_senml(io.BytesIO(payload), lambda number, why: refused.append(why)), refused)


_MAPPINGS = [
    Mapping(
        "time",
        (Column("water", "t01", Channel.TEMPERATURE, unit), Column("heater", "t01", Channel.HEATER)),
        ZoneInfo("Europe/Lisbon"),
        form,
        delimiter,
        decimal,
    )
    for form, delimiter, decimal, unit in (
        (None, ",", ".", "C"),
        ("unix", ";", ",", "F"),
        ("%d.%m.%Y %H:%M", "\t", ",", None),
    )
]


def logger_files(payload: bytes) -> None:
    """Another logger's file to import."""
    refused: list[str] = []
    for mapping in _MAPPINGS:
        text = io.StringIO(payload.decode("utf-8", "replace"), newline="")
        try:
            _import(read_logger(text, mapping, lambda number, why: refused.append(why)), refused)
        except UsageError as error:
            _says(error)


_REPLAYED = Config.model_validate(
    {"room": {"name": "x"}, "tank": [{"id": "t01", "volume_l": 100.0, "setpoint_c": 25.0, "heater_w": 100.0}]}
)


def replays(payload: bytes) -> None:
    """Lines to replay."""
    refused: list[str] = []
    steps = replay(_REPLAYED, payload.splitlines(keepends=True), lambda number, why: refused.append(why))
    for step in steps:
        assert step.alarm.message
        assert math.isfinite(step.time_s)


def streams(payload: bytes) -> None:
    """Unknown streams that are listened to: what is proposed for them is a configuration that loads."""
    topic, _, rest = payload.partition(b"\n")
    listening = Listening()
    for i in range(3):
        where = topic.decode("utf-8", "replace")
        listening.take(Arrival("broker", "mqtt", where, rest, NOW_S + 10.0 * i))
    report = listening.report(['[[source]]\nid = "broker"\nkind = "mqtt"\n'])
    json.dumps(report, allow_nan=False)
    if report["configuration"] is not None:
        Config.model_validate(tomllib.loads(report["configuration"]))


def texts(payload: bytes) -> None:
    """Whatever is shown is one printable line of bounded length."""
    even = payload[: len(payload) // 2 * 2]
    for raw in (payload, even.decode("utf-16-le", "surrogatepass")):
        for limit in (1, 20, 80):
            shown = safe_text(raw, limit)
            assert shown.isprintable(), repr(shown)
            assert len(shown) <= limit


TARGETS: dict[str, Callable[[bytes], None]] = {
    target.__name__.replace("_", "-"): target
    for target in (
        packs, pointers, bare, lines, w1, shapes, configuration, requests, tokens, rooms, csv_files,
        senml_files, logger_files, replays, streams, texts,
    )
}  # fmt: skip
