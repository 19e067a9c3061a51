"""The watchdog: it judges readings from memory, before anything is written."""
