// Copy to settings.h beside it, and fill in. settings.h is in .gitignore: passwords stay out of the repository.
#pragma once
#define WIFI_NAME "name of your network"
#define WIFI_PASSWORD "its password"
#define MQTT_HOST "192.0.2.10"  // your broker
#define MQTT_PORT 1883
#define MQTT_USERNAME nullptr  // or "probe-t01"
#define MQTT_PASSWORD nullptr
#define CLIENT_ID "probe-t01"  // one of its own for every probe
#define TOPIC "fish/t01"
#define NTP_HOST "pool.ntp.org"  // or the broker's own address, if it serves time
