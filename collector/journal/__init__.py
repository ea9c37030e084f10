"""The durable local store of every record: the only room that knows SQLite."""

from collector.journal.reader import JournalReader
from collector.journal.store import Journal, Row

__all__ = ["Journal", "JournalReader", "Row"]
