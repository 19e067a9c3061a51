"""The two consumers that are compared, each a process of its own: `bare`, that only counts, and `watch`.

python bench_consumer.py bare|watch PORT MESSAGES [CONFIG.toml]
"""

import json
import os
import sys
import time
from pathlib import Path


def tell(what: str, **more: float) -> None:
    """Say something to the parent, with the CPU seconds used so far."""
    print(
        json.dumps({"what": what, "cpu_s": time.process_time(), "wall_s": time.monotonic(), **more}),
        flush=True,
    )


def bare(port: int, messages: int) -> None:
    """Count messages with a paho client that does nothing else."""
    import paho.mqtt.client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    count = 0

    def on_message(client: paho.Client, userdata: object, message: paho.MQTTMessage) -> None:
        nonlocal count
        count += 1
        if count == messages:
            tell("done")
            client.disconnect()

    client.on_message = on_message
    client.on_subscribe = lambda *_: tell("ready")
    client.connect("127.0.0.1", port)
    client.subscribe("fish/#", qos=1)
    client.loop_forever()


def watch(config_path: Path, messages: int) -> None:
    """Decode, judge and store the same messages as `tankwatch watch` does."""
    from tankwatch.config import load
    from tankwatch.watch import run

    run.INBOX_CAPACITY = 10_000_000  # the flood comes faster than any room: nothing may be dropped here
    part = run.Watch(load(config_path))
    part.start()
    run.spare_the_collector()
    while part._sources.health()[0].state != "connected":
        time.sleep(0.01)
    tell("ready", rss_kib=_rss_kib())
    store = part._store
    while part._sources.health()[0].accepted < 3 * messages or part._inbox._readings:
        time.sleep(0.02)
    while store.health().written < 3 * messages:
        store.flush(60.0)  # else the end would wait for the next batch to be due, which is no work
    tell("done", rss_kib=_rss_kib())
    part.stop()
    health = part._sources.health()[0]
    assert (health.received, health.accepted, health.dropped) == (messages, 3 * messages, 0), health


def _rss_kib() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1024


if __name__ == "__main__":
    os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})
    if sys.argv[1] == "bare":
        bare(int(sys.argv[2]), int(sys.argv[3]))
    else:
        watch(Path(sys.argv[4]), int(sys.argv[3]))
