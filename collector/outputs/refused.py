"""Records that an output can never take: set aside in a file of their own, with the reason, and stepped past.

A person may ask for them again: a small file beside it says which; what is taken then leaves the refused, what is
refused again stays with the new reason.
Knows: both files; that a line torn by a kill or a bad disk costs that line only.
Must not know: why a record was refused, how batches are made.
"""

import os
import secrets
from contextlib import suppress
from pathlib import Path
from typing import Any

import msgspec
import structlog

from collector.errors import OutputDown, RecordRefused, StoppedByIO
from collector.files import Files
from collector.record import decode

log = structlog.get_logger()


class Line(msgspec.Struct, frozen=True):
    """A line of the file: `record` is the record's JSON as text."""

    seq: int
    why: str
    record: str


class Again(msgspec.Struct, frozen=True):
    """A refused record as a row of the journal; `at_us` is when it goes again: it comes behind what was handed over."""

    seq: int
    at_us: int
    kind: str
    port: str
    part: str
    lot: str
    body: bytes


class Request(msgspec.Struct, frozen=True):
    """Which refused records are to go again."""

    seqs: tuple[int, ...]


class Refused:
    """STATE/outputs/NAME.refused.jsonl, the seqs in it, and the requests STATE/outputs/NAME.resend-….json."""

    def __init__(self, state: Path, output: str, files: Files):
        """Raises OutputDown where the file is there and can't be read."""
        self._path, self._output, self._files = refused_path(state, output), output, files
        self._requests: dict[Path, set[int]] = {}          # taken up, with the seqs not tried yet
        self._reasons: dict[int, str] = {}                 # refused again, not yet written
        content = self._content()
        lines = _whole_lines(content)
        self.seqs, self._known = {line.seq for line in lines}, {(line.seq, hash(line.record)) for line in lines}
        self._length = content.rfind(b"\n") + 1            # behind it: torn by a kill, its record comes again

    def has(self, row: Any) -> bool:
        """Whether this very record is set aside, not only one with its seq: a lost journal is begun again at 1."""
        return row.seq in self.seqs and (row.seq, hash(_text(row.body))) in self._known

    def add(self, refusal: RecordRefused, row: Any) -> None:
        """Set the record aside, durably.  Raises OutputDown."""
        record = _text(row.body)
        line = _written(Line(row.seq, refusal.why, record))
        try:
            if not self._path.exists():
                self._files.write_new(self._path, b"")
            self._files.cut(self._path, self._length)
            self._files.write_at(self._path, self._length, line)
        except OSError as error:
            raise self._down(error) from error
        self._length += len(line)
        self.seqs.add(row.seq)
        self._known.add((row.seq, hash(record)))

    # --- again

    def look(self) -> bool:
        """Take up what a person has asked for meanwhile; whether there is any such request."""
        with suppress(OSError):                            # the folder can't be read now: asked again in a moment
            for path in self._path.parent.glob(f"{self._output}.resend-*.json"):
                if path not in self._requests:
                    self._requests[path] = self._taken_up(path)
        return bool(self._requests)

    def asked(self) -> list[int]:
        """What a person has asked for, as of the last look, and what was not tried since, in order."""
        return sorted(set().union(*self._requests.values()))

    def lines(self, seqs: list[int]) -> dict[int, Line]:
        """What was set aside of these; a seq that is not there any more is left out.  Raises OutputDown."""
        return {line.seq: line for line in _whole_lines(self._content()) if line.seq in seqs}

    def row(self, line: Line, at_us: int) -> Again:
        """The record as it was refused.  Raises RecordRefused: what was kept is no record."""
        body = line.record.encode()
        try:
            record = decode(body)
        except msgspec.MsgspecError as error:
            raise RecordRefused(self._output, line.seq, line.why.removesuffix(_NO_RECORD) + _NO_RECORD) from error
        return Again(line.seq, at_us, record.kind, record.port, record.part, record.lot, body)

    def tried(self, seq: int, why: str = "") -> None:
        """It was handed over again; or it was not, and `why` it is refused this time."""
        for waiting in self._requests.values():
            waiting.discard(seq)
        if why:
            self._reasons[seq] = why

    def settle(self, resent: tuple[int, ...]) -> None:
        """Those resent leave the file, the new reasons stand in it, requests all tried are gone.  Raises OutputDown."""
        try:
            gone = self.seqs & set(resent)
            if gone or self._reasons:
                self._rewrite(gone)
            for path in [path for path, waiting in self._requests.items() if not waiting]:
                self._files.remove(path)
                del self._requests[path]
        except OSError as error:
            raise self._down(error) from error

    def _rewrite(self, gone: set[int]) -> None:
        kept = []
        for text in self._content()[:self._length].splitlines(keepends=True):
            line = _read(text)
            if line is None or line.seq not in gone | self._reasons.keys():
                kept.append(text)
            elif line.seq not in gone:
                kept.append(_written(msgspec.structs.replace(line, why=self._reasons[line.seq])))
        content = b"".join(kept)
        self._files.replace(self._path, content)
        self._length, self._reasons = len(content), {}
        self.seqs -= gone

    def _taken_up(self, path: Path) -> set[int]:
        try:
            request = msgspec.json.decode(path.read_bytes(), type=Request)
        except (OSError, msgspec.MsgspecError) as error:
            log.error("resend-unreadable", output=self._output, request=path.name, cause=str(error))
            return set()                                   # nothing of it is tried, and it is removed
        return self.seqs & set(request.seqs)

    def _content(self) -> bytes:
        try:
            return self._path.read_bytes() if self._path.exists() else b""
        except OSError as error:
            raise self._down(error) from error

    def _down(self, error: OSError) -> OutputDown:
        return OutputDown(self._output, f"refused records can't be set aside in {self._path}: {error.strerror}")


_NO_RECORD = " (what is kept of it is no record, so it can't go again)"


def refused_path(state: Path, output: str) -> Path:
    """STATE/outputs/NAME.refused.jsonl."""
    return state / "outputs" / f"{output}.refused.jsonl"


def read_refused(state: Path, output: str) -> list[Line]:
    """What this output has refused, for a command that only looks.  Raises StoppedByIO."""
    path = refused_path(state, output)
    try:
        return _whole_lines(path.read_bytes())
    except FileNotFoundError:
        return []
    except OSError as error:
        raise StoppedByIO(f"the refused records {path} can't be read: {error.strerror}") from error


def ask_again(state: Path, output: str, seqs: tuple[int, ...], files: Files) -> None:
    """Leave a request for the output's process, which takes it up within a second or at its next start.

    It is given to the owner of the state folder, so that the collector can read a request by root.  Raises StoppedByIO.
    """
    path = state / "outputs" / f"{output}.resend-{secrets.token_hex(8)}.json"
    beside = path.with_name(f".{path.name}")
    try:
        files.write_new(beside, msgspec.json.encode(Request(seqs)))
        owner = state.stat()
        with suppress(AttributeError, PermissionError):
            os.chown(beside, owner.st_uid, owner.st_gid)
        files.rename(beside, path)
    except OSError as error:
        raise StoppedByIO(f"the request {path} can't be left: {error.strerror}") from error


def _whole_lines(content: bytes) -> list[Line]:
    whole = content[:content.rfind(b"\n") + 1]
    return [line for line in map(_read, whole.splitlines()) if line is not None]


def _read(text: bytes) -> Line | None:
    try:
        return msgspec.json.decode(text, type=Line)
    except msgspec.MsgspecError:
        return None


def _text(body: bytes) -> str:
    return body.decode("utf-8", "backslashreplace")


def _written(line: Line) -> bytes:
    return msgspec.json.encode(line) + b"\n"
