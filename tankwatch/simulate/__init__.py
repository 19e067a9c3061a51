"""Simulated heated tanks: for the demo, and to test the watchdog on faults whose truth is known."""
