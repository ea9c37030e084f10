"""Stand-in columns: invented readings on pseudo-terminals or TCP, at the speed of a real serial line."""
