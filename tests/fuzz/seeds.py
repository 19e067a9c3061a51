"""Where the fuzzer begins: one ordinary input of each kind, and some that are known to be nasty."""

from pathlib import Path

_CONFIGS = Path(__file__).parent.parent.parent / "configs"

_PACK = b'[{"bn":"t01/","bt":1790000000,"n":"temperature","u":"Cel","v":24.9},{"n":"heater","vb":true}]'
_BOMBS = [
    b"[" * 5000,
    b'{"a":' * 3000 + b"1" + b"}" * 3000,
    b'[{"n":"t01/temperature","v":1e400}]',
    b'[{"n":"t01/temperature","v":' + b"9" * 5000 + b"}]",
    b'[{"n":"t01/temperature","v":-0.0,"t":1e300}]',
    b'[{"n":"\\ud800","v":1}]',
    b'[{"n":"t01/service","vs":"work\\u001b[2J"}]',
]
SEEDS: dict[str, list[bytes]] = {
    "packs": [_PACK, *_BOMBS],
    "pointers": [b'{"v":24.9,"a/b":[1,"on"]}', b"[24.9]", *_BOMBS],
    "bare": [b"24.9", b"24,9 \xc2\xb0C", b"ON", b"76.6 F", b"1e400", b"9" * 5000, b"nan"],
    "lines": [
        b"\x05temperature=24.81 heater=1\r\n" + _PACK + b"\n",
        b"\x00a=b*C3C4\n",
        b"\x10" + b"x" * 3000,
    ],
    "w1": [
        b"72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n",
        b"00 00 00 00 00 00 00 00 00 : crc=00 YES\n",
        b"23125\n",
    ],
    "shapes": [_PACK, *_BOMBS],
    "configuration": [path.read_bytes() for path in sorted(_CONFIGS.glob("*.toml"))],
    "requests": [
        b'{"v":1,"do":"follow"}',
        b'{"v":1,"do":"acknowledge","alarm_id":3,"who":"sam"}',
        b'{"v":1,"do":"shelve","alarm_id":3,"minutes":30,"why":"heater out","who":"sam"}',
        b'{"v":1,"do":"log","tank":null,"kind":"note","text":"x","who":"sam","photos":["a.jpg"]}',
    ],
    "tokens": [b"1.eyJhIjpbMV0sInAiOiJzYW0iLCJ4IjoxNzkwMDAwMDYwfQ.AAAA", b"ABC 23D", b"1..", b""],
    "rooms": [
        b'tankwatch/1/back/online\n{"v":1,"state":"online","time_s":1790000000,"up_s":5,"run":"a"}',
        b'tankwatch/1/back/state\n{"v":1,"name":"Back","tanks":2}',
        b"tankwatch/1/../tank/x\n[]",
    ],
    "csv-files": [
        b"time_utc,tank,temperature_c,heater_on,power_w,mains_on,service,service_by\n"
        b"2026-09-21T13:33:20Z,t01,24.9,1,149.5,1,,\n2026-09-21T15:33:30.5+02:00,t01,,,,0,work,'=sam\n",
        b"time,tank,temperature_c,heater\n2026-09-22T03:14:05Z,t01,24.9,1\n",
        b'time,tank,temperature_c\n"' + b"x" * 200_000 + b'",t01,1\n',
        b'time,tank\r\n"\r2026","a\nb"\r',
    ],
    "senml-files": [_PACK + b"\n" + _PACK, *_BOMBS],
    "logger-files": [
        b"time,water,heater\n2026-03-29 01:30,24.9,on\n2026-10-25 01:30,25,off\n",
        b"time;water;heater\n1790000000;24,9;1\n1e400;1;1\nnan;1;1\n",
        b"time\twater\theater\n31.12.2026 23:59\t24,9\tAN\n",
        b'time,water,heater\n"' + b"y" * 200_000 + b'",1,1\n',
    ],
    "replays": [
        _PACK.replace(b'"bn":"t01/",', b"").replace(b'"n":"', b'"n":"t01/') + b"\n",
        b'[{"n":"t01/temperature","u":"Cel","t":1790000000,"v":24.81},{"n":"t01/heater","t":1790000000,"vb":true}]\n'
        b'[{"n":"t01/service","t":1790000010,"vs":"water-out"}]\n[{"n":"t01/temperature","t":9e14,"v":85}]\n',
        *_BOMBS,
    ],
    "streams": [
        b"fish/tank/state\n" + _PACK,
        b"home/reef/temp\n24.9",
        b'zigbee/x\n{"temperature":24.9,"state":"ON","nested":{"ph":[7.1]}}',
        *(b"a/b\n" + bomb for bomb in _BOMBS),
    ],
    "texts": [b"\x1b[2J\x9b31m", "\u202eabc\u200b\ufeff".encode(), b"[red]x[/]", b"e\xcc\x81" * 50],
}
