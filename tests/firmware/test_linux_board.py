"""Lamps on the pins of a Linux board, into a running source; the bindings of libgpiod are stood in for."""

import os
import subprocess
import sys
from pathlib import Path

from conftest import wait_until
from firmware_tools import EXAMPLES, HERE

from tankwatch.clock import SystemClock
from tankwatch.config import Config
from tankwatch.reading import Channel
from tankwatch.sources.inbox import Inbox
from tankwatch.sources.source_set import SourceSet


def test_pins_become_readings_at_once(tmp_path: Path) -> None:
    active = tmp_path / "ACTIVE"
    active.write_text("17\n")
    port = tmp_path / "port"
    process = subprocess.Popen(
        [sys.executable, EXAMPLES / "linux_board/gpio_lines.py", port, "heater=17", "light=27"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(HERE / "gpiod_fake")},
    )
    config = Config.model_validate(
        {
            "room": {"name": "Cellar"},
            "source": [{"id": "pins", "kind": "serial", "port": str(port)}],
            "tank": [
                {
                    "id": "t01", "volume_l": 60.0, "setpoint_c": 25.0,
                    "channel": [{"kind": kind, "source": "pins"} for kind in ("heater", "light")],
                }
            ],
        }
    )  # fmt: skip
    inbox = Inbox()
    sources = SourceSet(config, inbox, SystemClock(), first_pause_s=0.05)
    sources.start()
    newest: dict[Channel, float] = {}

    def sees(heater: float, light: float) -> bool:
        newest.update((reading.channel, reading.value) for reading in inbox.take(0.0))
        return newest == {Channel.HEATER: heater, Channel.LIGHT: light}

    try:
        wait_until(lambda: sees(1.0, 0.0), "the lit pilot lamp")
        active.write_text("27\n")
        wait_until(lambda: sees(0.0, 1.0), "the change")
        assert sources.health()[0].refused == {}
    finally:
        sources.stop(5.0)
        process.terminate()
        assert process.wait(10) == 0
    assert not port.exists()
