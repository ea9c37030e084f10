"""The daemon: three threads, one process an output, and what holds them together."""
