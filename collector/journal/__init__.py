"""The durable local store of every record: the only room that knows SQLite."""

from collector.journal.forms import Form, Forms, Row, filling, new_row
from collector.journal.reader import JournalReader, journal_path
from collector.journal.renewal import set_aside
from collector.journal.reserve import RESERVE_BYTES
from collector.journal.salvage import Salvage, Span, open_salvage
from collector.journal.schema import Lost, Renewed
from collector.journal.store import Journal

__all__ = ["RESERVE_BYTES", "Form", "Forms", "Journal", "JournalReader", "Lost", "Renewed", "Row", "Salvage", "Span",
           "filling", "journal_path", "new_row", "open_salvage", "set_aside"]
