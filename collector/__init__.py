"""Collect readings from comparator columns over serial lines and hand them over, each exactly once."""

__version__ = "0.1.0"
