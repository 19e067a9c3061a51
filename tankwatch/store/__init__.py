"""What is kept on disk: readings, steps of alarms, service marks, the care log, runs of the watch.

One SQLite file in write-ahead mode. `writer.StoreWriter` is the only one that writes and checkpoints;
everybody else reads through `reader.StoreReader`, which opens the file read-only, asks, and closes.
"""
