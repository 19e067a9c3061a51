"""Readings out of the store and into it: CSV, SenML JSON lines and Parquet; and verified copies of it."""
