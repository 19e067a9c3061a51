# A probe on a Pico: DS18B20 sensors and two photo-sensors, over the USB cable as a serial port.
#
#   GP4   data wire of the DS18B20 sensors, 4.7 kΩ to 3.3 V
#   GP26  photo-sensor on the pilot lamp of the heater, brighter = higher
#   GP27  photo-sensor on the light of the tank
#
# Every INTERVAL_S it writes one line: a SenML pack, an asterisk, and the checksum.
import time

import onewire
from machine import ADC, Pin
from senml import line
from sensors import Lamp, Thermometers

INTERVAL_S = 10

thermometers = Thermometers(onewire.OneWire(Pin(4)))
lamps = [Lamp("heater", ADC(Pin(26))), Lamp("light", ADC(Pin(27)))]
while True:
    began_ms = time.ticks_ms()
    print(line(thermometers.records() + [lamp.record() for lamp in lamps]))
    time.sleep_ms(max(0, INTERVAL_S * 1000 - time.ticks_diff(time.ticks_ms(), began_ms)))
