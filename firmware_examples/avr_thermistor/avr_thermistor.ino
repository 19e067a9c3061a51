// A probe on an ATmega328P: a 10 kΩ thermistor, and photo-sensors on the heater's pilot lamp and on the light.
//
//   A0  middle of the divider: 10 kΩ (1 %) to 5 V, thermistor to ground
//   A1  photo-sensor on the pilot lamp of the heater, brighter = higher
//   A2  photo-sensor on the light of the tank
//
// Every INTERVAL_MS it writes one line, a SenML pack with a checksum. A thermistor that is not connected, or
// shorted, gives no temperature but a word: open, shorted.
//   [{"n":"temperature","u":"Cel","v":24.81},{"n":"heater","vb":true},{"n":"light","vb":false}]*C3C4
#include <Arduino.h>
#include <avr/sleep.h>
#include <tank_probe.h>

#ifndef INTERVAL_MS
#define INTERVAL_MS 10000UL
#endif

static const float FIXED_OHM = 10000.0f;
static const ThermistorCurve CURVE;
static Lamp heater(614, 410), light(614, 410);  // 3 V and 2 V of 5 V
static SenmlLine<200> line;
static unsigned long next_report_ms = INTERVAL_MS;

// The mean over one period of 50 Hz mains: pilot lamps flicker, and long wires pick up hum.
static float meanCode(uint8_t pin) {
  long sum = 0;
  for (uint8_t i = 0; i < 40; i++) {
    sum += analogRead(pin);
    delayMicroseconds(390);
  }
  return sum / 40.0f;
}

static void report() {
  float celsius = 0;
  line.begin();
  const float share = (meanCode(A0) + 0.5f) / 1024.0f;
  switch (thermistorCelsius(share, FIXED_OHM, CURVE, &celsius)) {
    case ThermistorFault::none: line.celsius(nullptr, "temperature", celsius, 2); break;
    case ThermistorFault::open: line.word(nullptr, "fault", "open"); break;
    case ThermistorFault::shorted: line.word(nullptr, "fault", "shorted"); break;
  }
  line.state("heater", heater.see((int)meanCode(A1)));
  line.state("light", light.see((int)meanCode(A2)));
  Serial.println(line.finish(true));
}

void setup() {
  Serial.begin(115200);
  set_sleep_mode(SLEEP_MODE_IDLE);
}

void loop() {
  if ((long)(millis() - next_report_ms) < 0) {
    sleep_mode();  // until the next tick of the clock
    return;
  }
  next_report_ms += INTERVAL_MS;
  report();
}
