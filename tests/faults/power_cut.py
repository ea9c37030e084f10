"""What a disk would hold had the power gone at any moment of a process's life, made from a trace of its calls.

A file's content counts as durable once it was synced, a name once its folder was (names in the order they were changed).
Of what was not synced yet, all, none, every other piece or the half of the last may have reached the disk.  A sync that failed makes nothing durable, then or
later: the kernel takes those pages for clean.  What is written through memory (the index of the log) is not seen, and
not needed: it is made anew.
"""

import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

CALLS = "openat,write,pwrite64,ftruncate,fsync,fdatasync,rename,unlink,fallocate"
NONE, ALL, EVERY_OTHER, HALF = "none", "all", "every other", "half of the last"
SYNCS, BEGUN = ("fsync", "fdatasync"), "begun"
_LINE = re.compile(r"^(?:\d+ +)?(\w+)\((.*)\) += (-?\d+)")
_CUT, _REST = re.compile(r"^(\d+) +(\w+)\((.*) <unfinished \.\.\.>$"), re.compile(r"^(\d+) +<\.\.\. \w+ resumed>(.*)$")
_FD = re.compile(r"^(?:AT_FDCWD|\d+)<([^>]*)>")


class Call(NamedTuple):
    """`thread`: which made it; a sync that others came in between is told twice, first as `begun`."""

    name: str
    words: str
    result: int
    thread: str = ""


class Piece(NamedTuple):
    """A change of a file: bytes at an offset, or (None) a new length."""

    offset: int
    data: bytes | None


class Content:
    """A file's bytes: what is durable, and what came after."""

    def __init__(self) -> None:
        self.durable: list[Piece] = []
        self.loose: list[Piece] = []
        self.doomed: set[int] = set()           # pieces by their id: the same bytes written again are another piece
        self.syncing: dict[str, list[Piece]] = {}

    def sync(self, is_done: bool, thread: str = "") -> None:
        """What came before this thread's sync was begun is durable; what came since, another one will see to."""
        reached = {id(piece) for piece in self.syncing.pop(thread, self.loose)}
        if is_done:
            self.durable += [piece for piece in self.loose if id(piece) in reached - self.doomed]
            self.loose = [piece for piece in self.loose if id(piece) not in reached - self.doomed]
        else:
            self.doomed |= {id(piece) for piece in self.loose if id(piece) in reached}

    def bytes(self, way: str) -> bytes:
        loose = {NONE: [], ALL: self.loose, EVERY_OTHER: self.loose[::2], HALF: self.loose}[way]
        found = bytearray()
        for piece in [*self.durable, *(piece for piece in loose if way == ALL or id(piece) not in self.doomed)]:
            data = piece.data
            if data is None:
                found = found[:piece.offset] + bytes(max(0, piece.offset - len(found)))
                continue
            if way == HALF and loose and piece is loose[-1]:
                data = data[:len(data) // 2]
            found += bytes(max(0, piece.offset + len(data) - len(found)))
            found[piece.offset:piece.offset + len(data)] = data
        return bytes(found)


class Disk:
    """The files below one folder, as far as a trace has gone."""

    def __init__(self, folder: Path):
        self._folder = str(folder)
        self._names: dict[str, Content] = {}
        self._durable_names: dict[str, Content] = {}

    def take(self, call: Call) -> None:
        path = path_of(call.words)
        if call.name == "openat":
            name = _text(re.findall(r'"([^"]*)"', call.words)[0])
            if call.result >= 0 and "O_CREAT" in call.words and self._is_ours(name):
                self._names.setdefault(name, Content())
        elif call.name == "rename" and call.result == 0:
            old, new = (_text(one) for one in re.findall(r'"([^"]*)"', call.words))
            self._names[new] = self._names.pop(old)
        elif call.name == "unlink" and call.result == 0:
            self._names.pop(_text(re.findall(r'"([^"]*)"', call.words)[0]), None)
        elif path == self._folder and call.result == 0:
            self._durable_names = dict(self._names)
        elif self._is_ours(path):
            self._change(self._names.get(path, Content()), call)

    def _change(self, content: Content, call: Call) -> None:
        numbers = [int(number) for number in re.findall(r", (\d+)(?=,|$)", re.sub(r'"[^"]*"', '""', call.words))]
        if call.name == "pwrite64" and call.result > 0:
            content.loose.append(Piece(numbers[-1], _bytes(re.findall(r'"([^"]*)"', call.words)[0])[:call.result]))
        elif call.name == "ftruncate" and call.result == 0:
            content.loose.append(Piece(numbers[0], None))
        elif call.name == BEGUN:
            content.syncing[call.thread] = list(content.loose)
        elif call.name in SYNCS:
            content.sync(call.result == 0, call.thread)

    def _is_ours(self, name: str) -> bool:
        return name.startswith(f"{self._folder}/")

    def after_the_cut(self, place: Path, way: str) -> None:
        """Lay down what would be found, in an empty folder."""
        for name, content in (self._durable_names if way == NONE else self._names).items():
            if not name.endswith("-shm"):
                (place / Path(name).name).write_bytes(content.bytes(way))


def traced(folder: Path, trace: Path, *words: str, faults: tuple[str, ...] = (),
           only: Path | None = None) -> subprocess.CompletedProcess:
    """Run `python -m tests.faults.journal_session FOLDER WORDS` under strace, with these faults put in; `only`: into calls about
    this file, and only these are traced."""
    put_in = [word for fault in faults for word in ("-e", f"inject={fault}")] + (["-P", str(only)] if only else [])
    return subprocess.run(["strace", "-f", "-qq", "-y", "-xx", "-s", "1000000", "-o", str(trace), "-e",
                           f"trace={CALLS}", *put_in, sys.executable, "-B", "-m", "tests.faults.journal_session", str(folder), *words],
                          capture_output=True, text=True, timeout=120)


def calls(trace: Path) -> Iterator[Call]:
    """In the order in which they ended; one that another thread's came in between is put together."""
    begun: dict[str, str] = {}
    for line in trace.read_text().splitlines():
        if cut := _CUT.match(line):
            begun[cut[1]] = line.removesuffix(" <unfinished ...>")
            if cut[2] in SYNCS:
                yield Call(BEGUN, cut[3], 0, cut[1])
            continue
        if rest := _REST.match(line):
            line = begun.pop(rest[1]) + rest[2]
        found = _LINE.match(line)
        if found:
            yield Call(found[1], found[2], int(found[3]), line.split(" ")[0])


def path_of(words: str) -> str:
    """The path of the open file that a call is about, or `""`."""
    found = _FD.match(words)
    return _text(found[1]).removesuffix(" (deleted)") if found else ""


def said(call: Call) -> str:
    """What the process said with this call, or `""`."""
    if call.name != "write" or not call.words.startswith("1<"):
        return ""
    return _text(re.findall(r'"([^"]*)"', call.words)[0]).strip()


def _bytes(text: str) -> bytes:
    return bytes.fromhex(text.replace("\\x", ""))


def _text(text: str) -> str:
    return _bytes(text).decode() if "\\x" in text else text
