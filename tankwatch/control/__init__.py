"""The door to a running watch: a Unix socket that carries pictures out and requests in."""
