"""Telling people: who is told what, when and how often, and how it reaches them."""
