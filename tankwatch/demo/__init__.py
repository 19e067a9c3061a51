"""An invented room to look at: simulated tanks that publish real MQTT to a real watch, kept nowhere."""
