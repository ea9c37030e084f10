"""YAML text to validated models and a plan of what to run, every fault with file, line and column."""
