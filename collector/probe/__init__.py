"""Which settings a line is sent with, judged from what arrives at settings that may be wrong.  No ports, no waiting."""
