"""The running watch: sources, watchdog, store and control socket tied together in one process."""
