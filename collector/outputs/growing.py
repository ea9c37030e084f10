"""One file a UTC day that is only ever appended to, whole lines at a time.

(1) the file is there; (2) the cursor holds the batch as pending, with the offset where its bytes begin; (3) the bytes
are appended and synced; (4) the cursor moves (delivery does that).  After a kill, what lies beyond the offset tells
how much of (3) had happened.
Knows: these steps and how each may fail.
Must not know: what the lines mean, when a batch is full.
"""

import os
from datetime import datetime, timezone
from pathlib import Path
from typing import Any

from collector.outputs import Batch
from collector.outputs.cursor import Pending
from collector.outputs.folder import GROWING, Place, check_sentinel, digest

_DAY_US = 86_400_000_000


def together(rows: tuple[Any, ...]) -> int:
    """The leading rows of one UTC day."""
    day = rows[0].at_us // _DAY_US
    return next((index for index, row in enumerate(rows) if row.at_us // _DAY_US != day), len(rows))


def begin(place: Place, batch: Batch) -> None:
    """Append a batch of which nothing has been written yet.  Raises OSError, OutputDown, RecordRefused."""
    lines = place.rendering.lines(batch.rows)
    day = datetime.fromtimestamp(batch.rows[0].at_us // 1_000_000, timezone.utc).date()
    path = place.folder / f"{place.stem}-{day:%Y-%m-%d}.{place.rendering.suffix}"
    offset = _end(place, path)
    content = lines if offset else place.rendering.header() + lines
    pending = Pending(publish=GROWING, file=path.name, first=batch.first, last=batch.last, through=batch.through,
                      length=len(content), sha256=digest(content), offset=offset)
    check_sentinel(place)                          # an offset in another folder's file would be held against this one's
    place.cursor.hold(pending)
    try:
        _write(place, path, offset, content)
    except FileNotFoundError:                      # taken in this very moment: not a byte of the batch was written
        place.cursor.release()
        raise


def finish(place: Place, pending: Pending, batch: Batch) -> bool:
    """Complete a pending batch; False: what was torn has been cut off, begin again.  Raises OSError, OutputDown."""
    path = place.folder / pending.file
    tail = _tail(place, path, pending)
    if digest(tail) != pending.sha256:
        whole = (b"" if pending.offset else place.rendering.header()) + place.rendering.lines(batch.rows)
        if digest(whole) != pending.sha256 or not whole.startswith(tail):
            place.files.cut(path, pending.offset)
            place.cursor.release()
            return False
        tail = whole
    _write(place, path, pending.offset, tail)    # again, in place: a sync that failed makes no promise for what it had
    return True


def _end(place: Place, path: Path) -> int:
    """Where the file ends, made if there is none: only ever where we left it."""
    known, length = place.cursor.grown.get(path.name, 0), _length(path)
    if length is None:                             # never was, or the reader has taken it
        check_sentinel(place)                      # only of the right folder does it say so, and only there one is made
        if known:
            place.cursor.forget_file(path.name)
        place.files.write_new(path, b"")
        return 0
    if length > known:
        raise place.down(f"{path} has {length - known} bytes that this output did not write; only one may write to it. "
                         "Move the file away, and a new one is begun")
    if length < known:
        raise place.down(f"{path} had {known} bytes and now has {length}; who has cut it? Move the file away, "
                         "and a new one is begun with the records that come")
    if length == 0:
        place.files.sync_folder(place.folder)      # made by a process that was killed: it may not be durable yet
        return 0
    _refuse_other_header(place, path)
    return length


def _refuse_other_header(place: Place, path: Path) -> None:
    """Lines only ever go under the header that they were written for."""
    header = place.rendering.header()
    with open(path, "rb") as file:
        if file.read(len(header)) != header:
            raise place.down(f"{path} begins with another header than what comes now has: the output's settings were "
                             "changed. Move the file away, and a new one is begun")


def _tail(place: Place, path: Path, pending: Pending) -> bytes:
    """What lies beyond the offset of a pending batch: at most as much as the batch has."""
    length = _length(path)
    if length is None:
        raise place.down(f"{path} was taken away while records {pending.first} to {pending.last} were being written to "
                         f"it. Put it back; or, if it is gone, start the collector once with --adopt {place.output}: "
                         "these records are then written to a new file (they may be in the old one too)")
    if length < pending.offset:
        raise place.down(f"{path} had {pending.offset} bytes and now has {length}; who has cut it? Put it back; "
                         f"or move it away and start the collector once with --adopt {place.output}")
    if length > pending.offset + pending.length:
        raise place.down(f"{path} has bytes that this output did not write; only one may write to it. "
                         "Put back what was there; or move it away and start the collector once with --adopt "
                         f"{place.output}")
    with open(path, "rb") as file:
        file.seek(pending.offset)
        return file.read()


def _write(place: Place, path: Path, offset: int, content: bytes) -> None:
    place.files.write_at(path, offset, content)
    if _length(path) != offset + len(content):     # taken away or written to while we wrote
        raise place.down(f"{path} is not what was just written to it; has a reader taken it away, "
                         "or does another write?")


def is_gone(place: Place, pending: Pending) -> bool:
    """Whether the file that a pending batch was being written to is not there.  Raises OSError."""
    return _length(place.folder / pending.file) is None


def _length(path: Path) -> int | None:
    try:
        return os.stat(path).st_size
    except FileNotFoundError:
        return None
