# A battery or solar probe on an ESP32 or a Pico W: it sleeps, wakes to measure, and sends readings in
# batches.
#
# It wakes every INTERVAL_S, takes one pack, and writes it into a file; every SEND_EVERY-th time it also
# joins the network, sends all packs of the file under their own ages, and empties it. When the broker is
# not there the file stays, up to MOST_WAITING packs. The topic TOPIC/link says asleep, never offline:
# silence is its way.
#
# deepsleep() starts this file anew, so everything that must last is in the file. A battery probe without a
# pilot-lamp sensor saves much power: both lamps are optional here (HEATER_PIN or LIGHT_PIN = None).
import json
import os
import time

import machine
import onewire
import settings
from machine import ADC, Pin
from mqtt_client import MqttClient, MqttError
from senml import timed
from sensors import Lamp, Thermometers

FILE = "waiting.txt"


def join_wifi():
    try:
        import network
    except ImportError:  # a computer has its network already
        return True
    station = network.WLAN(network.STA_IF)
    station.active(True)
    station.connect(settings.WIFI_NAME, settings.WIFI_PASSWORD)
    for _ in range(75):
        if station.isconnected():
            return True
        time.sleep_ms(200)
    return False


def load():
    """Return the packs that wait, oldest first; a file that a power cut has damaged is given up."""
    try:
        with open(FILE) as file:
            return json.load(file)
    except (OSError, ValueError):
        return []


def save(waiting):
    with open(FILE + ".new", "w") as file:
        json.dump(waiting, file)
    os.rename(FILE + ".new", FILE)


def measure():
    records = Thermometers(onewire.OneWire(Pin(settings.SENSOR_PIN))).records()
    for what, pin in (("heater", settings.HEATER_PIN), ("light", settings.LIGHT_PIN)):
        if pin is not None:
            records.append(Lamp(what, ADC(Pin(pin))).record())
    return records


def send(waiting):
    """Publish every pack that waits. Ages count whole sleeps: exact enough, and no clock is needed."""
    mqtt = MqttClient(
        settings.CLIENT_ID,
        settings.MQTT_HOST,
        settings.MQTT_PORT,
        settings.MQTT_USERNAME,
        settings.MQTT_PASSWORD,
    )
    mqtt.connect()
    newest = len(waiting) - 1
    for number, records in enumerate(waiting):
        mqtt.publish(settings.TOPIC, timed(records, (newest - number) * settings.INTERVAL_S, None))
    mqtt.publish(settings.TOPIC + "/link", "asleep", retain=True)
    mqtt.disconnect()


def main():
    began_ms = time.ticks_ms()
    waiting = load()
    waiting.append(measure())
    del waiting[: -settings.MOST_WAITING]
    if len(waiting) % settings.SEND_EVERY == 0:
        try:
            if join_wifi():
                send(waiting)
                waiting = []
        except (OSError, MqttError) as error:
            print("# not sent, %d waiting: %r" % (len(waiting), error))
    save(waiting)
    awake_ms = time.ticks_diff(time.ticks_ms(), began_ms)
    machine.deepsleep(max(1000, settings.INTERVAL_S * 1000 - awake_ms))


main()
