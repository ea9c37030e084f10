"""Gauge studies: planned, picked out of the journal or a table, worked out, told.  Collection must not know of it."""
