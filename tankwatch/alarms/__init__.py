"""Alarms: what they are called, how they live, and the book that keeps them."""
