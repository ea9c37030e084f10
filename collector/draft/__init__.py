"""Propose a format for frames that nobody has described yet, each field with its reason, each doubt as a question."""
