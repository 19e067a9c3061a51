# A probe on an ESP32 or a Pico W: DS18B20 sensors and two photo-sensors, over Wi-Fi and MQTT.
#
# Pins, network and broker are in settings.py (copy settings_example.py). Every INTERVAL_S it takes one
# SenML pack and publishes it at QoS 1. Without Wi-Fi or broker the packs wait, and go out later under their
# own times. The topic TOPIC/link says online, and offline by the last will.
import time

import onewire
import settings
from backlog import Backlog
from machine import ADC, Pin
from mqtt_client import MqttClient, MqttError
from senml import timed
from sensors import Lamp, Thermometers
from wall_clock import WallClock

PACKS_A_TURN = 10
ASK_TIME_EVERY_S = 3600


def join_wifi():
    """Join the network if need be; return whether it is there."""
    try:
        import network
    except ImportError:  # a computer has its network already
        return True
    station = network.WLAN(network.STA_IF)
    if not station.isconnected():
        station.active(True)
        station.connect(settings.WIFI_NAME, settings.WIFI_PASSWORD)
        for _ in range(50):
            if station.isconnected():
                break
            time.sleep_ms(200)
    return station.isconnected()


def elapsed(since_ms, seconds):
    return since_ms is None or time.ticks_diff(time.ticks_ms(), since_ms) >= seconds * 1000


class Sender:
    """Brings packs to the broker, in order, whenever it is there."""

    def __init__(self):
        self.backlog = Backlog(settings.MOST_WAITING)
        self.clock = WallClock()
        self._mqtt = MqttClient(
            settings.CLIENT_ID,
            settings.MQTT_HOST,
            settings.MQTT_PORT,
            settings.MQTT_USERNAME,
            settings.MQTT_PASSWORD,
            will=(settings.TOPIC + "/link", "offline"),
        )
        self._tried_ms = self._asked_ms = None

    def send(self):
        try:
            if not self._reach():
                return
            for _ in range(min(PACKS_A_TURN, len(self.backlog))):
                age_s, records = self.backlog.oldest()
                self._mqtt.publish(settings.TOPIC, timed(records, age_s, self.clock.now_s()))
                self.backlog.drop()
        except (OSError, MqttError) as error:
            print("# not sent, %d waiting: %r" % (len(self.backlog), error))

    def _reach(self):
        if self._mqtt.connected:
            return True
        if not elapsed(self._tried_ms, settings.RETRY_S):
            return False
        self._tried_ms = time.ticks_ms()
        if not join_wifi():
            return False
        if elapsed(self._asked_ms, ASK_TIME_EVERY_S) and self.clock.ask(settings.NTP_HOST, settings.NTP_PORT):
            self._asked_ms = time.ticks_ms()
        self._mqtt.connect()
        self._mqtt.publish(settings.TOPIC + "/link", "online", retain=True)
        return True


def main():
    thermometers = Thermometers(onewire.OneWire(Pin(settings.SENSOR_PIN)))
    lamps = [Lamp("heater", ADC(Pin(settings.HEATER_PIN))), Lamp("light", ADC(Pin(settings.LIGHT_PIN)))]
    sender = Sender()
    while True:
        began_ms = time.ticks_ms()
        sender.backlog.add(thermometers.records() + [lamp.record() for lamp in lamps])
        while True:
            sender.send()
            if elapsed(began_ms, settings.INTERVAL_S):
                break
            time.sleep_ms(100)


main()
