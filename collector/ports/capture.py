"""Captures: what a port once brought, kept as text.

Knows: the capture file (comments, seconds, a tab, escaped bytes; or plain lines without times).
Must not know: ports, frames, what the bytes mean, who plays a capture.
"""

import re
from collections.abc import Iterator
from pathlib import Path

from collector.errors import CollectorError, StoppedByIO
from collector.record import escape, unescape

_TIMED = re.compile(rb"([0-9]{1,9}(?:\.[0-9]{1,9})?)\t(.*)", re.DOTALL)
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"


def read_capture(path: Path) -> list[tuple[float | None, bytes]]:
    """(seconds since the start, the bytes of one read) for each line; seconds are None in a file of plain lines.

    A plain line is taken as it stands, with a line feed; blank lines and comments bring nothing.
    Raises StoppedByIO where the file can't be read, CollectorError with file:line where a timed line is wrong.
    """
    try:
        data = path.read_bytes().removeprefix(_BYTE_ORDER_MARK)
    except OSError as fault:
        raise StoppedByIO(f"capture {path} can't be read: {fault.strerror}") from fault
    lines = [(number, line) for number, line in enumerate(data.split(b"\n"), start=1)
             if line.strip() and not line.startswith(b"#")]
    if lines and _TIMED.fullmatch(lines[0][1]):
        return list(_timed(path, lines))
    return [(None, line + b"\n") for _, line in lines]


def write_line(seconds: float, data: bytes) -> str:
    """One line of a capture, line end included, that `read_capture` reads back as the same bytes."""
    return f"{seconds:.6f}\t{escape(data)}\n"


def _timed(path: Path, lines: list[tuple[int, bytes]]) -> Iterator[tuple[float, bytes]]:
    before = 0.0
    for number, line in lines:
        found = _TIMED.fullmatch(line.removesuffix(b"\r"))     # an editor's line end: the wire's own CR is written \x0d
        if not found:
            raise CollectorError(f"{path}:{number}: no seconds and a tab before the bytes; the lines above have them")
        seconds = float(found[1])
        if seconds < before:
            raise CollectorError(f"{path}:{number}: {seconds} s is before the line above ({before} s)")
        try:
            yield seconds, unescape(found[2].decode("ascii", "surrogateescape"))
        except ValueError as error:
            raise CollectorError(f"{path}:{number}: {error}") from error
        before = seconds
