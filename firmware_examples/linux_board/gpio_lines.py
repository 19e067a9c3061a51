#!/usr/bin/env python3
"""Lamps on the GPIO pins of a Linux board, as lines on a port of their own that tankwatch reads like any.

    python3 gpio_lines.py /run/user/1000/tank-gpio heater=17 light=27

PORT, a symbolic link to a pseudo-terminal, is made at the start and removed at the end. Every few seconds,
and at once when a lamp changes, one line is written: a SenML pack and its checksum. Needs the package gpiod,
version 2 (the bindings of libgpiod). The DS18B20 sensors of the same board need no program: tankwatch reads
them itself.
"""

import argparse
import binascii
import contextlib
import json
import os
import signal
import sys
import time
import tty
from pathlib import Path
from types import FrameType

import gpiod


def line(states: dict[str, bool]) -> bytes:
    """Return one line: a SenML pack, an asterisk, the CRC-16/IBM-3740 of the pack, and a line feed."""
    pack = json.dumps([{"n": name, "vb": on} for name, on in states.items()]).encode()
    return pack + b"*%04X\n" % binascii.crc_hqx(pack, 0xFFFF)


def main() -> None:
    """Read the pins and write lines until SIGTERM or Ctrl+C."""
    parser = argparse.ArgumentParser(description="GPIO pins as lines on a port.")
    parser.add_argument("port", metavar="PORT", type=Path, help="symbolic link to make for the port")
    parser.add_argument("lamps", metavar="NAME=LINE", nargs="+", help="such as heater=17")
    parser.add_argument("--chip", default="/dev/gpiochip0", help="the GPIO chip (default /dev/gpiochip0)")
    parser.add_argument("--active-low", action="store_true", help="the sensors pull their pin low when lit")
    parser.add_argument("--interval", type=float, default=5.0, metavar="S", help="seconds between lines")
    arguments = parser.parse_args()
    lamps = {name: int(number) for name, _, number in (lamp.partition("=") for lamp in arguments.lamps)}
    settings = gpiod.LineSettings(
        direction=gpiod.line.Direction.INPUT,
        bias=gpiod.line.Bias.PULL_UP if arguments.active_low else gpiod.line.Bias.PULL_DOWN,
        active_low=arguments.active_low,
    )
    signal.signal(signal.SIGTERM, stop)
    ours, theirs = os.openpty()
    tty.setraw(theirs)  # our own end of theirs stays open: nobody listening is no error
    os.set_blocking(ours, False)
    with contextlib.suppress(FileNotFoundError):
        arguments.port.unlink()
    arguments.port.symlink_to(os.ttyname(theirs))
    try:
        with gpiod.request_lines(
            arguments.chip, consumer="tank-gpio", config={tuple(lamps.values()): settings}
        ) as pins:
            follow(ours, pins, lamps, arguments.interval)
    finally:
        arguments.port.unlink()


def follow(port: int, pins: "gpiod.LineRequest", lamps: dict[str, int], interval_s: float) -> None:
    """Write a line every `interval_s` seconds, and at every change."""
    written: dict[str, bool] = {}
    due_s = 0.0
    while True:
        states = {name: pins.get_value(number) == gpiod.line.Value.ACTIVE for name, number in lamps.items()}
        if states != written or time.monotonic() >= due_s:
            with contextlib.suppress(BlockingIOError):  # nobody reads, and the terminal is full
                os.write(port, line(states))
            written, due_s = states, time.monotonic() + interval_s
        time.sleep(0.2)


def stop(number: int, frame: FrameType | None) -> None:
    """End as Ctrl+C does, so that the port is removed."""
    raise KeyboardInterrupt


if __name__ == "__main__":
    with contextlib.suppress(KeyboardInterrupt):
        main()
    sys.exit(0)
