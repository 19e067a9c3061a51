"""The configuration file: the contract's example, defaults, and what a wrong file is told."""

from pathlib import Path
from typing import Any

import pytest

from tankwatch import config
from tankwatch.config import (
    Config,
    MqttSourceConfig,
    OneWireSourceConfig,
    RoomConfig,
    SerialSourceConfig,
    load,
)
from tankwatch.errors import ConfigError
from tankwatch.reading import Channel

ROOM = '[room]\nname = "Back room"\n'
BROKER = '[[source]]\nid = "broker"\nkind = "mqtt"\n'
TANK = '[[tank]]\nid = "t01"\nvolume_l = 120.0\nsetpoint_c = 25.0\n'
CHANNEL = '[[tank.channel]]\nkind = "temperature"\nsource = "broker"\ntopic = "fish/t01/state"\n'

WHOLE = """
[room]
name = "Back room"
timezone = "Etc/UTC"
hemisphere = "south"

[store]
path = "tankwatch.db"

[[source]]
id = "broker"
kind = "mqtt"
host = "127.0.0.1"
port = 1883
tls = true
username = "watch"
password_file = "secret"
ca_file = "/etc/ca.crt"
protocol = 311
client_id = "back-room"
keepalive_s = 15

[[source]]
id = "bench"
kind = "serial"
usb_serial = "A1"
baud = 9600

[[source]]
id = "bus"
kind = "onewire"
path = "devices"

[[tank]]
id = "t01"
name = "Long tank"
volume_l = 120.0
setpoint_c = 25.0
heater_w = 150.0
low_c = 23.0
high_c = 27.5
max_rate_c_per_h = 1.5
max_daily_swing_c = 2.0
light_hours_max = 8.0
light_window = ["10:00", "20:00"]
probe_interval_s = 10

[[tank.channel]]
kind = "temperature"
source = "broker"
topic = "fish/t01/state"
decode = "senml"
name = "temperature"
offset_c = 0.0

[[tank.channel]]
kind = "heater"
source = "broker"
topic = "fish/t01/power"
decode = "pointer:/relay/state"
on_above = 0.5
invert = true
"""


@pytest.fixture
def write(tmp_path: Path) -> Any:
    def write(text: str) -> Path:
        path = tmp_path / "room.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


@pytest.fixture(autouse=True)
def clean_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("TANKWATCH_PASSWORD_BROKER", raising=False)


def fault(path: Path) -> str:
    with pytest.raises(ConfigError) as error:
        load(path)
    return str(error.value).replace(f"{path.parent}/", "")


def test_every_key_of_the_contract_is_taken(write: Any, tmp_path: Path) -> None:
    room = load(write(WHOLE))
    assert (room.room.name, room.room.hemisphere, room.room.zone.key) == ("Back room", "south", "Etc/UTC")
    assert room.store.path == tmp_path / "tankwatch.db"
    broker, bench, bus = room.source
    assert isinstance(broker, MqttSourceConfig)
    assert (broker.tls, broker.protocol, broker.keepalive_s) == (True, 311, 15)
    assert broker.password_file == tmp_path / "secret"
    assert broker.ca_file == Path("/etc/ca.crt")
    assert isinstance(bench, SerialSourceConfig)
    assert (bench.usb_serial, bench.port, bench.baud) == ("A1", None, 9600)
    assert isinstance(bus, OneWireSourceConfig)
    assert bus.path == tmp_path / "devices"
    tank = room.tank_by_id("t01")
    assert (tank.band_low_c, tank.band_high_c, tank.light_window) == (23.0, 27.5, ("10:00", "20:00"))
    assert [channel.kind for channel in tank.channel] == [Channel.TEMPERATURE, Channel.HEATER]
    assert tank.channel[1].decode == "pointer:/relay/state"


def test_only_room_name_and_three_keys_of_a_tank_are_required(write: Any, tmp_path: Path) -> None:
    room = load(write(ROOM + TANK))
    tank = room.tank[0]
    assert (tank.label, tank.band_low_c, tank.band_high_c) == ("t01", 23.0, 27.5)
    assert (room.room.timezone, room.room.hemisphere) == ("Etc/UTC", "north")
    assert room.store.path == tmp_path / "tankwatch.db"


@pytest.mark.parametrize("text", ["", ROOM.replace("Back room", "")])
def test_a_room_needs_a_name(write: Any, text: str) -> None:
    assert "[room]" in fault(write(text))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("x = ", "room.toml: not valid TOML: "),
        ("[room]\n", "room.toml:1: [room] name: this key is required"),
        (ROOM + 'nmae = "x"\n', "room.toml:3: [room] nmae = 'x': unknown key (did you mean 'name'?)"),
        (ROOM + "[rom]\n", "room.toml:3: rom: unknown key (did you mean 'room'?)"),
        ("room = 5\n", "room.toml: [room]: expected a table"),
        (
            ROOM.replace('"Back room"', '"x"\ntimezone = "Mars/Olympus"'),
            "room.toml:3: [room] timezone = 'Mars/Olympus': expected an IANA time zone",
        ),
        (ROOM + "[store]\npath = 5\n", "room.toml:4: [store] path = 5: expected a path"),
        (
            ROOM + BROKER.replace("mqtt", "mqt"),
            "room.toml:5: [[source]] broker kind = 'mqt': expected one of: mqtt, onewire, serial "
            "(did you mean 'mqtt'?)",
        ),
        (
            ROOM + '[[source]]\nid = "a"\n',
            "room.toml:3: [[source]] a kind: expected one of: mqtt, onewire, serial",
        ),
        (
            ROOM + BROKER + "prot = 5\n",
            "room.toml:6: [[source]] broker prot = 5: unknown key (did you mean 'port'?)",
        ),
        (ROOM + BROKER + "port = 70000\n", "broker port = 70000: expected less than or equal to 65535"),
        (
            ROOM + BROKER + 'port = "1883"\n',
            "broker port = '1883': expected a whole number",
        ),
        (ROOM + BROKER + "protocol = 4\n", "broker protocol = 4: expected 5 or 311"),
        (ROOM + BROKER + 'tls = "yes"\n', "broker tls = 'yes': expected true or false"),
        (
            ROOM + '[[source]]\nid = "a"\nkind = "serial"\n',
            "[[source]] a: expected either port or usb_serial",
        ),
        (ROOM + BROKER + BROKER, "expected every source to have an id of its own, got 'broker' twice"),
        (ROOM + TANK + TANK, "expected every tank to have an id of its own, got 't01' twice"),
        (ROOM + "[[tank]]\n", "room.toml:3: [[tank]] 1 volume_l: this key is required"),
        (ROOM + '[tank]\nid = "x"\n', "room.toml:3: [tank]: expected a list of tables, each under [[tank]]"),
        (
            ROOM + TANK.replace("t01", "t 01"),
            "room.toml:4: [[tank]] t 01 id = 't 01': expected 1 to 64 letters",
        ),
        (
            ROOM + TANK.replace("120.0", '"120"'),
            "room.toml:5: [[tank]] t01 volume_l = '120': expected a number",
        ),
        (ROOM + TANK.replace("120.0", "true"), "t01 volume_l = true: expected a number"),
        (ROOM + TANK.replace("120.0", "nan"), "t01 volume_l = nan: expected a finite number"),
        (ROOM + TANK.replace("120.0", "-1"), "t01 volume_l = -1: expected greater than 0"),
        (
            ROOM + TANK + "volume_L = 3\n",
            "room.toml:7: [[tank]] t01 volume_L = 3: unknown key (did you mean 'volume_l'?)",
        ),
        (
            ROOM + TANK + "low_c = 26.0\n",
            "[[tank]] t01: expected low_c < setpoint_c < high_c, got 26 < 25 < 27.5",
        ),
        (
            ROOM + TANK + 'light_window = ["10:00"]\n',
            "room.toml:7: [[tank]] t01 light_window: expected two local times",
        ),
        (
            ROOM + TANK + 'light_window = ["10:00", "25:00"]\n',
            "t01 light_window = '25:00': expected two local times",
        ),
        (ROOM + TANK + 'light_window = "10:00"\n', "t01 light_window = '10:00': expected two local times"),
        (ROOM + TANK + CHANNEL, "tank 't01', channel 'temperature': no source 'broker'; known: none"),
        (
            ROOM + BROKER + TANK + CHANNEL.replace('"broker"', '"brokr"'),
            "no source 'brokr' (did you mean 'broker'?); known: broker",
        ),
        (
            ROOM + BROKER + TANK + CHANNEL.replace("topic", "#"),
            "expected a topic, since source 'broker' is mqtt",
        ),
        (
            ROOM + BROKER.replace("mqtt", "onewire") + TANK + CHANNEL,
            "expected name, the device's name on the 1-wire bus",
        ),
        (
            ROOM + BROKER + TANK + CHANNEL.replace("temperature", "temprature"),
            "room.toml:11: [[tank]] t01, [[tank.channel]] 1 kind = 'temprature': expected one of: ",
        ),
        (
            ROOM + BROKER + TANK + CHANNEL + CHANNEL.replace("state", "state#"),
            "room.toml:17: [[tank]] t01, [[tank.channel]] 2 topic = 'fish/t01/state#': expected an MQTT "
            "topic filter",
        ),
        (
            ROOM + BROKER + TANK + CHANNEL + "offset = 1.0\n",
            "room.toml:14: [[tank]] t01, [[tank.channel]] 1 offset = 1.0: unknown key "
            "(did you mean 'offset_c'?)",
        ),
    ],
)
def test_a_wrong_file_is_told_where_what_and_what_was_expected(write: Any, text: str, words: str) -> None:
    assert words in fault(write(text))


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ('decode = "json"', "decode = 'json': expected senml, number, onoff or pointer:/a/b (RFC 6901)"),
        ('decode = "pointer:a"', "decode = 'pointer:a': expected a JSON Pointer"),
        ('decode = "pointer:/a~2"', "expected '~' to be written ~0"),
        ('decode = "onoff"', "not for temperature"),
        ("on_above = 3.0", "on_above is for a heater or light"),
        ("invert = true", "invert is for a heater, light or service channel"),
        ("offset_c = inf", "offset_c = inf: expected a finite number"),
        ("scale = 0.0", "scale = 0.0: expected a number other than 0"),
        ("scale = nan", "scale = nan: expected a finite number"),
    ],
)
def test_keys_of_a_channel_must_make_sense(write: Any, lines: str, words: str) -> None:
    assert words in fault(write(ROOM + BROKER + TANK + CHANNEL + lines + "\n"))


def test_keys_that_do_not_fit_a_service_or_heater_channel(write: Any) -> None:
    base = ROOM + BROKER + TANK
    heater, service = (CHANNEL.replace('"temperature"', f'"{kind}"') for kind in ("heater", "service"))
    assert "offset_c is for a temperature or air channel" in fault(write(base + heater + "offset_c = 1.0\n"))
    assert "a service channel carries words" in fault(write(base + service + 'decode = "number"\n'))
    assert load(write(base + service + 'decode = "onoff"\ninvert = true\n')).tank[0].channel[0].invert


def test_all_faults_are_told_at_once(write: Any) -> None:
    told = fault(write(ROOM + "a = 1\n" + TANK + "b = 2\n")).splitlines()
    assert [line.split(":")[1] for line in told] == ["3", "8"]


def test_a_misspelt_password_is_not_told(write: Any) -> None:
    told = fault(write(ROOM + BROKER + 'pasword = "tr0ut"\n'))
    assert "tr0ut" not in told
    assert "did you mean 'password'?" in told


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    assert "cannot be read: No such file" in fault(tmp_path / "absent.toml")
    (tmp_path / "latin.toml").write_bytes(b'[room]\nname = "\xe9"\n')
    assert "expected UTF-8 text, got byte 0xe9" in fault(tmp_path / "latin.toml")
    assert "cannot be read" in fault(tmp_path)


def test_a_tank_that_is_not_there(write: Any) -> None:
    room = load(write(ROOM + TANK))
    with pytest.raises(ConfigError, match=r"no tank 't02' \(did you mean 't01'\?\); known: t01"):
        room.tank_by_id("t02")


def broker_of(room: Config) -> MqttSourceConfig:
    source = room.source[0]
    assert isinstance(source, MqttSourceConfig)
    return source


def test_the_environment_goes_before_the_file_and_the_file_before_the_key(
    write: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    both = broker_of(load(write(ROOM + BROKER + 'password_file = "secret"\npassword = "three"\n')))
    with pytest.raises(ConfigError, match=r"source broker: password_file .*secret"):
        config.password_of(both)
    (tmp_path / "secret").write_text("two\nnot this\n")
    assert config.password_of(both) == "two"
    monkeypatch.setenv("TANKWATCH_PASSWORD_BROKER", "one")
    assert config.password_of(both) == "one"
    monkeypatch.delenv("TANKWATCH_PASSWORD_BROKER")
    assert config.password_of(broker_of(load(write(ROOM + BROKER + 'password = "three"\n')))) == "three"
    assert config.password_of(broker_of(load(write(ROOM + BROKER)))) is None
    monkeypatch.setenv("TANKWATCH_PASSWORD_SHELF_2", "four")
    shelf = broker_of(load(write(ROOM + BROKER.replace("broker", "shelf-2"))))
    assert config.password_of(shelf) == "four"


def test_warnings_about_passwords(write: Any, tmp_path: Path) -> None:
    room = load(write(ROOM + BROKER + 'username = "w"\npassword_file = "secret"\n'))
    assert any("cannot be read: No such file" in line for line in config.warnings_of(room))
    secret = tmp_path / "secret"
    secret.write_text("two\n")
    secret.chmod(0o644)
    (warning,) = config.warnings_of(room)
    assert "readable by others (mode 0644); run: chmod 600" in warning
    secret.chmod(0o600)
    assert list(config.warnings_of(room)) == []
    far = load(write(ROOM + BROKER + 'host = "broker.example"\nusername = "w"\npassword = "x"\n'))
    assert [line.split(": ")[1] for line in config.warnings_of(far)] == [
        "the password stands in the configuration file; prefer password_file",
        "the password crosses the network unencrypted; set tls = true",
    ]


def test_warnings_about_channels(write: Any) -> None:
    heater = CHANNEL.replace('"temperature"', '"heater"')
    assert list(config.warnings_of(load(write(ROOM + BROKER + TANK + heater + heater)))) == [
        "tank t01: no temperature channel, so its water is not watched",
        "tank t01: 2 channels of kind heater, whose readings will mix",
    ]
    assert list(config.warnings_of(load(write(ROOM + BROKER + TANK + CHANNEL)))) == []


def test_the_mains_are_no_kind_of_their_own(tmp_path: Path) -> None:
    path = tmp_path / "tankwatch.toml"
    path.write_text(ROOM + BROKER + TANK + CHANNEL.replace('"temperature"', '"mains"'))
    with pytest.raises(ConfigError, match=r"expected one of: temperature, .*, ph; a truth value on power"):
        load(path)
    kind = Config.model_json_schema()["$defs"]["ChannelConfig"]["properties"]["kind"]
    assert kind["enum"] == [
        "temperature", "heater", "light", "air", "power", "service", "humidity", "level", "flow", "ph",
    ]  # fmt: skip


def test_every_key_has_a_meaning_in_the_schema() -> None:
    schema = Config.model_json_schema()
    tables = [schema, *schema["$defs"].values()]
    missing = [
        f"{table.get('title')}.{key}"
        for table in tables
        for key, field in table.get("properties", {}).items()
        if "description" not in field
    ]
    assert missing == []
    assert all(table.get("additionalProperties") is False for table in tables if "properties" in table)


@pytest.mark.parametrize(
    ("name", "slug"),
    [
        ("Back room", "back-room"),
        ("  Käfer & Söhne, 2. Stock ", "kafer-sohne-2-stock"),
        ("x" * 80, "x" * 32),
        ("水族館", "room-ffb06670"),
    ],
)
def test_a_room_without_an_id_gets_one_from_its_name(name: str, slug: str) -> None:
    room = RoomConfig(name=name)
    assert room.slug == slug
    assert RoomConfig(name="other", id=slug).slug == slug  # what is made is a valid id


def test_a_wrong_id_of_a_room_says_what_was_expected(tmp_path: Path) -> None:
    path = tmp_path / "room.toml"
    path.write_text('[room]\nname = "Back"\nid = "Back room"\n')
    with pytest.raises(ConfigError, match=r"room\.toml:3: \[room\] id = 'Back room': expected 1 to 32 of"):
        load(path)
