"""Output kind `jsonl`: each record's JSON as the journal has it, one a line.

Must not know: folders, cursors, fields.
"""

from typing import Any

from collector.errors import RecordRefused
from collector.files import Files
from collector.outputs import growing, sealed
from collector.outputs.cursor import Cursor
from collector.outputs.folder import FolderOutput, FolderSettings, place


class Settings(FolderSettings):
    """`outputs.NAME` with `kind: jsonl`."""


class JsonLines:
    """Lines of RFC 8259 objects in UTF-8, each with an LF."""

    suffix = "jsonl"

    def __init__(self, output: str):
        self._output = output

    def header(self) -> bytes:
        return b""

    def lines(self, rows: tuple[Any, ...]) -> bytes:
        """Raises RecordRefused for a body that would be more than one line."""
        bodies = [row.body for row in rows]
        lines = b"\n".join([*bodies, b""])
        if lines.count(b"\n") != len(bodies) or not all(bodies):
            bad = next(row for row in rows if b"\n" in row.body or not row.body)
            raise RecordRefused(self._output, bad.seq, "its JSON is not one line")
        return lines


def build(name: str, site: str, settings: Settings, cursor: Cursor, files: Files) -> FolderOutput:
    """The output `name` of this site."""
    return FolderOutput(place(name, site, settings, cursor, files, JsonLines(name)), sealed, growing)
