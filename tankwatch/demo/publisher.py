"""The probes of the invented room: each tank publishes SenML (RFC 8428) over MQTT, as a real probe would."""

import json
import logging
import threading
import time
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tankwatch.demo.room import AIR_TOPIC, LIVE_INTERVAL_S, DemoRoom, live, topic_of
from tankwatch.errors import TankwatchError
from tankwatch.simulate.tank import TankSim

log = logging.getLogger(__name__)

_CONNECT_WITHIN_S = 10.0


class DemoPublisher:
    """Plays the room from the end of its history on, in real time."""

    def __init__(self, room: DemoRoom, port: int) -> None:
        """Publish `room` to the broker on loopback at `port`."""
        self._room = room
        self._port = port
        self._words = {sim.spec.tank_id: sim.service for sim in room.sims}
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="demo-probes", daemon=True)
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
        live(room.sims)

    def start(self) -> None:
        """Connect and begin to publish.

        Raises:
            TankwatchError: the broker does not answer.
        """
        connected = threading.Event()
        self._client.on_connect = lambda *_: connected.set()
        try:
            self._client.connect("127.0.0.1", self._port)
        except OSError as error:
            raise TankwatchError(f"the demo's broker does not answer: {error}") from error
        self._client.loop_start()
        if not connected.wait(_CONNECT_WITHIN_S):
            raise TankwatchError("the demo's broker does not answer")
        self._thread.start()

    def stop(self) -> None:
        """Stop publishing."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(5.0)
        self._client.disconnect()
        self._client.loop_stop()

    def _run(self) -> None:
        """Publish every tank at once, then one after the other, evenly over the interval."""
        sims = self._room.sims
        pause_s = LIVE_INTERVAL_S / len(sims)
        due_s = time.monotonic()
        turn = 0
        while not self._stop.wait(max(0.0, due_s - time.monotonic())):
            if turn >= len(sims):
                due_s = max(due_s + pause_s, time.monotonic() - LIVE_INTERVAL_S)
            try:
                if turn % len(sims) == 0:
                    self._publish(AIR_TOPIC, self._air_pack())
                self._publish_tank(sims[turn % len(sims)])
            except Exception:
                log.exception("the demo's probes failed to publish")
            turn += 1

    def _publish_tank(self, sim: TankSim) -> None:
        now_s = time.time()
        sim.advance(now_s)
        pack = tank_pack(sim, now_s)
        if pack and sim.service != self._words[sim.spec.tank_id]:
            self._words[sim.spec.tank_id] = sim.service
            pack.append({"n": "service", "vs": sim.service})
        if pack:
            self._publish(topic_of(sim.spec.tank_id), pack)

    def _air_pack(self) -> list[dict[str, Any]]:
        now_s = time.time()
        return [
            {"n": "air", "u": "Cel", "t": round(now_s, 3), "v": round(self._room.air.temperature_c(now_s), 2)}
        ]

    def _publish(self, topic: str, pack: list[dict[str, Any]]) -> None:
        self._client.publish(topic, json.dumps(pack, separators=(",", ":")), qos=1)


def tank_pack(sim: TankSim, now_s: float) -> list[dict[str, Any]]:
    """Return what the probe of `sim` sends at `now_s`, as SenML records; empty while it is silent."""
    value = sim.probe_c()
    if value is None:
        return []
    return [
        {"bt": round(now_s, 3), "n": "temperature", "u": "Cel", "v": round(value, 4)},
        {"n": "heater", "vb": sim.heater_on},
        {"n": "light", "vb": sim.light_on},
    ]
