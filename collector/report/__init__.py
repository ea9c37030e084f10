"""A report: the records of a lot, a part or a time span as a page that people look at.

Knows: what is asked of the journal (or of files that an output or `export` wrote), and what a quality engineer expects.
Must not know: how records come about; nothing here is ever imported where readings are collected.
"""
