"""Bytes to readings as sent: framer, parser, checksum.  No clock, no ports, no meaning of units."""
