// A probe on an ESP32: waterproof DS18B20 sensors and two photo-sensors, over Wi-Fi and MQTT.
//
//   GPIO4   data wire of the DS18B20 sensors (up to four), 4.7 kΩ to 3.3 V
//   GPIO32  photo-sensor on the pilot lamp of the heater, brighter = higher, at most 3.3 V
//   GPIO33  photo-sensor on the light of the tank
//
// Every INTERVAL_MS it takes one SenML pack and publishes it at QoS 1. While there is no Wi-Fi or no broker the packs
// wait, up to half an hour of them, and go out later under their own times: from NTP where it answers, else as "so many
// seconds ago". The topic TOPIC/link says online, and offline by the last will.
#include <OneWire.h>
#include <WiFi.h>
#include <backlog.h>
#include <mqtt_client.h>
#include <tank_probe.h>
#include <time.h>

#include "settings.h"  // yours: copy settings_example.h; never in a repository

#ifndef INTERVAL_MS
#define INTERVAL_MS 10000UL
#endif
#ifndef RETRY_MS
#define RETRY_MS 5000UL
#endif
#ifndef HEATER_PIN
#define HEATER_PIN 32
#define LIGHT_PIN 33
#endif

static const uint8_t MOST_SENSORS = 4;
static const time_t CLOCK_IS_SET_FROM = 1700000000;  // before the first answer the clock counts from 1970
static const uint8_t PACKS_A_TURN = 10;

static OneWire bus(4);
static WiFiClient wire;
static MqttClient mqtt(wire);
static Lamp heater(2440, 1640), light(2440, 1640);  // of 4095
static SenmlLine<400> line;
static Backlog<180, 400> backlog;  // 72 kB
static unsigned long next_report_ms = 0, next_try_ms = 0;

static uint32_t epochSeconds() {
  const time_t now = time(nullptr);
  return now > CLOCK_IS_SET_FROM ? (uint32_t)now : 0;
}

static int brightness(int pin) {
  long sum = 0;
  for (uint8_t i = 0; i < 20; i++) {  // over one period of 50 Hz mains
    sum += analogRead(pin);
    delay(1);
  }
  return (int)(sum / 20);
}

static ProbeFault readSensor(const uint8_t rom[8], float *celsius) {
  uint8_t pad[9];
  if (!bus.reset()) return ProbeFault::gone;
  bus.select(rom);
  bus.write(0xBE);  // READ SCRATCHPAD
  for (uint8_t i = 0; i < 9; i++) pad[i] = bus.read();
  return decodeScratchpad(pad, celsius);
}

static void takePack() {
  uint8_t roms[MOST_SENSORS][8], count = 0, rom[8];
  bus.reset_search();
  while (count < MOST_SENSORS && bus.search(rom))
    if (crc8(rom, 7) == rom[7] && rom[0] == 0x28) memcpy(roms[count++], rom, 8);
  if (count && bus.reset()) {
    bus.skip();
    bus.write(0x44);  // CONVERT T
    delay(800);       // at most 750 ms (data sheet, table 3)
  }
  line.begin();
  if (!count) line.word(nullptr, "fault", "no-sensor");
  for (uint8_t i = 0; i < count; i++) {
    char name[16];
    float celsius = 0;
    sensorName(roms[i], name);
    const ProbeFault fault = readSensor(roms[i], &celsius);
    if (fault == ProbeFault::none) line.celsius(name, "temperature", celsius, 4);
    else line.word(name, "fault", faultWord(fault));
  }
  line.state("heater", heater.see(brightness(HEATER_PIN)));
  line.state("light", light.see(brightness(LIGHT_PIN)));
  backlog.add(line.finish(false), millis());
}

static bool reachBroker() {
  if (mqtt.connected()) return true;
  if ((long)(millis() - next_try_ms) < 0) return false;
  next_try_ms = millis() + RETRY_MS;
  if (WiFi.status() != WL_CONNECTED) return false;  // the core joins again by itself
  const MqttClient::Login login = {CLIENT_ID, MQTT_USERNAME, MQTT_PASSWORD, TOPIC "/link", "offline"};
  return mqtt.connect(MQTT_HOST, MQTT_PORT, login) && mqtt.publish(TOPIC "/link", "online", true);
}

static void sendBacklog() {
  static char pack[430];
  for (uint8_t i = 0; i < PACKS_A_TURN && !backlog.empty(); i++) {
    backlog.oldest(millis(), epochSeconds(), pack, sizeof pack);
    if (!mqtt.publish(TOPIC, pack, false)) return;  // it stays at the head of the queue
    backlog.drop();
  }
}

void setup() {
  Serial.begin(115200);
  WiFi.begin(WIFI_NAME, WIFI_PASSWORD);
  configTime(0, 0, NTP_HOST);
}

void loop() {
  if ((long)(millis() - next_report_ms) >= 0) {
    next_report_ms = millis() + INTERVAL_MS;
    takePack();
  }
  if (!backlog.empty() && reachBroker()) sendBacklog();
  delay(10);
}
