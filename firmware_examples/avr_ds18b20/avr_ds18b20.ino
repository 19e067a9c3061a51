// A probe on an ATmega328P: waterproof DS18B20 sensors, and photo-sensors on the heater's pilot lamp and on the light.
//
//   D2  data wire of the DS18B20 sensors (up to four), 4.7 kΩ to 5 V
//   A1  photo-sensor on the pilot lamp of the heater, brighter = higher
//   A2  photo-sensor on the light of the tank
//
// Every INTERVAL_MS it writes one line, a SenML pack with a checksum. A sensor that cannot be believed gives no
// temperature but a word: gone, checksum, wire, power-on.
//   [{"n":"28-000000015ae1/temperature","u":"Cel","v":24.8125},{"n":"heater","vb":true},{"n":"light","vb":false}]*D7D4
#include <Arduino.h>
#include <avr/sleep.h>
#include <onewire_avr.h>
#include <tank_probe.h>

#ifndef INTERVAL_MS
#define INTERVAL_MS 10000UL
#endif

static const unsigned long CONVERSION_MS = 800;  // at most 750 ms (data sheet, table 3)
static const uint8_t MOST_SENSORS = 4;
static const uint8_t FAMILY = 0x28;

static OneWireAvr bus(2);
static uint8_t sensors[MOST_SENSORS][8];
static uint8_t sensor_count = 0;
static Lamp heater(614, 410), light(614, 410);  // 3 V and 2 V of 5 V
static SenmlLine<400> line;
static unsigned long next_report_ms = INTERVAL_MS;
static bool converting = false;

// The mean over one period of 50 Hz mains: pilot lamps flicker.
static int brightness(uint8_t pin) {
  long sum = 0;
  for (uint8_t i = 0; i < 40; i++) {
    sum += analogRead(pin);
    delayMicroseconds(390);
  }
  return (int)(sum / 40);
}

static void startConversion() {
  sensor_count = bus.search(FAMILY, sensors, MOST_SENSORS);  // anew each time: sensors come and go
  if (sensor_count && bus.reset()) {
    bus.write(0xCC);  // SKIP ROM: all of them
    bus.write(0x44);  // CONVERT T
  }
}

static ProbeFault readSensor(const uint8_t rom[8], float *celsius) {
  uint8_t pad[9];
  if (!bus.reset()) return ProbeFault::gone;
  bus.select(rom);
  bus.write(0xBE);  // READ SCRATCHPAD
  for (uint8_t i = 0; i < 9; i++) pad[i] = bus.read();
  return decodeScratchpad(pad, celsius);
}

static void report() {
  line.begin();
  if (!sensor_count) line.word(nullptr, "fault", "no-sensor");
  for (uint8_t i = 0; i < sensor_count; i++) {
    char name[16];
    float celsius = 0;
    sensorName(sensors[i], name);
    const ProbeFault fault = readSensor(sensors[i], &celsius);
    if (fault == ProbeFault::none) line.celsius(name, "temperature", celsius, 4);
    else line.word(name, "fault", faultWord(fault));
  }
  line.state("heater", heater.see(brightness(A1)));
  line.state("light", light.see(brightness(A2)));
  Serial.println(line.finish(true));
}

void setup() {
  Serial.begin(115200);
  set_sleep_mode(SLEEP_MODE_IDLE);
}

void loop() {
  const unsigned long now_ms = millis();
  if (!converting && (long)(now_ms + CONVERSION_MS - next_report_ms) >= 0) {
    startConversion();
    converting = true;
  } else if ((long)(now_ms - next_report_ms) >= 0) {
    report();
    next_report_ms += INTERVAL_MS;
    converting = false;
  } else {
    sleep_mode();  // until the next tick of the clock
  }
}
