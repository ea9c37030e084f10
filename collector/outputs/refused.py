"""Records that an output can never take: set aside in a file of their own, with the reason, and stepped past.

Must not know: why a record was refused, how batches are made.
"""

from pathlib import Path
from typing import Any

import msgspec

from collector.errors import OutputDown, RecordRefused
from collector.files import Files


class Line(msgspec.Struct, frozen=True):
    """A line of the file: `record` is the record's JSON as text."""

    seq: int
    why: str
    record: str


class Refused:
    """STATE/outputs/NAME.refused.jsonl, and the seqs in it."""

    def __init__(self, state: Path, output: str, files: Files):
        """Raises OutputDown where the file is there and can't be read."""
        self._path, self._output, self._files = state / "outputs" / f"{output}.refused.jsonl", output, files
        self.seqs: set[int] = set()
        self._length = 0
        try:
            content = self._path.read_bytes() if self._path.exists() else b""
        except OSError as error:
            raise self._down(error) from error
        for line in content.splitlines(keepends=True):
            try:
                self.seqs.add(msgspec.json.decode(line, type=Line).seq)
            except msgspec.MsgspecError:
                break                                      # torn by a kill: written over by the next
            self._length += len(line)

    def add(self, refusal: RecordRefused, row: Any) -> None:
        """Set the record aside, durably.  Raises OutputDown."""
        line = msgspec.json.encode(Line(row.seq, refusal.why, row.body.decode("utf-8", "backslashreplace"))) + b"\n"
        try:
            if not self._path.exists():
                self._files.write_new(self._path, b"")
            self._files.cut(self._path, self._length)
            self._files.write_at(self._path, self._length, line)
        except OSError as error:
            raise self._down(error) from error
        self._length += len(line)
        self.seqs.add(row.seq)

    def _down(self, error: OSError) -> OutputDown:
        return OutputDown(self._output, f"refused records can't be set aside in {self._path}: {error.strerror}")
