"""Many rooms, one screen: what a watch publishes of its room over MQTT, and what a centre makes of it."""
