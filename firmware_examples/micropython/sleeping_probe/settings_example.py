# Copy to settings.py beside main.py, and fill in. settings.py is in .gitignore: passwords stay out of the
# repository.
WIFI_NAME = "name of your network"
WIFI_PASSWORD = "its password"
MQTT_HOST = "192.0.2.10"  # your broker
MQTT_PORT = 1883
MQTT_USERNAME = None  # or "probe-t01"
MQTT_PASSWORD = None
CLIENT_ID = "probe-t01"  # one of its own for every probe
TOPIC = "fish/t01"
SENSOR_PIN = 4
HEATER_PIN = 32  # Pico W: 26
LIGHT_PIN = 33  # Pico W: 27
INTERVAL_S = 60
SEND_EVERY = 5  # the watch then hears of the tank every five minutes: set probe_interval_s = 300
MOST_WAITING = 120  # two hours without a broker
