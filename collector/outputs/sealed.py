"""Files that appear complete or not at all, and are never touched again.

(1) the content lies durable under a hidden name; (2) the cursor holds the batch as pending; (3) the file gets its
name; (4) the cursor moves (delivery does that).  After a kill between (2) and (4) the hidden file is the witness: it
is there, so the file has not got its name yet; it is not, so it had, whether or not the reader has taken it since.
Knows: these steps and how each may fail.
Must not know: what the content means, when a batch is full.
"""

import re
from pathlib import Path
from typing import Any

from collector.outputs import Batch
from collector.outputs.cursor import Pending
from collector.outputs.folder import SEALED, Place, check_sentinel, digest, read_if_there


def together(rows: tuple[Any, ...]) -> int:
    """All rows that wait may go into one file."""
    return len(rows)


def begin(place: Place, batch: Batch) -> None:
    """Publish a batch of which nothing has been published yet.  Raises OSError, OutputDown, RecordRefused."""
    content = place.rendering.header() + place.rendering.lines(batch.rows)
    name = f"{place.stem}-{batch.first:012d}-{batch.last:012d}.{place.rendering.suffix}"
    pending = Pending(publish=SEALED, file=name, first=batch.first, last=batch.last, through=batch.through,
                      length=len(content), sha256=digest(content), checksum=bool(place.settings.checksum_file))
    check_sentinel(place)                                    # writing it all out took its time
    there = read_if_there(place.folder / name)
    if there is not None:
        _refuse_other(place, name, there == content)
        return
    place.files.write_new(hidden(place.folder, name), content)
    check_sentinel(place)                                    # a witness in another folder would be missed later
    place.cursor.hold(pending)
    _give_name(place, pending)


def finish(place: Place, pending: Pending, batch: Batch) -> bool:
    """Complete a pending batch; False: nothing of it was published and its hidden file is of no use, begin again.

    Raises OSError, OutputDown.
    """
    part = read_if_there(hidden(place.folder, pending.file))
    if part is None:
        place.files.remove(hidden(place.folder, _checksum_name(pending)))
        place.files.sync_folder(place.folder)                # the new name may not be durable yet
        check_sentinel(place)                                # only of the right folder does it say that it was named
        return True
    if len(part) != pending.length or digest(part) != pending.sha256:
        place.cursor.release()                               # first: a pending batch without it counts as named
        place.files.remove(hidden(place.folder, pending.file))
        return False
    _give_name(place, pending)
    return True


def _give_name(place: Place, pending: Pending) -> None:
    if pending.checksum:
        _put_checksum(place, pending)
    part, final = hidden(place.folder, pending.file), place.folder / pending.file
    there = read_if_there(final)
    if there is not None:
        _refuse_other(place, pending.file, digest(there) == pending.sha256)
        place.files.remove(part)
        place.files.sync_folder(place.folder)
        return
    place.files.rename(part, final)      # an error may come after the deed: the batch comes again, and `finish` looks


def _put_checksum(place: Place, pending: Pending) -> None:
    """The checksum's file gets its name before the file that it is about."""
    name = _checksum_name(pending)
    content = f"{pending.sha256}  {pending.file}\n".encode()
    there = read_if_there(place.folder / name)
    if there is not None:
        _refuse_other(place, name, there == content)
        return
    place.files.write_new(hidden(place.folder, name), content)
    place.files.rename(hidden(place.folder, name), place.folder / name)


def _refuse_other(place: Place, name: str, is_same: bool) -> None:
    if not is_same:
        raise place.down(f"{place.folder / name} is there already with another content, and nothing is ever replaced; "
                         "does another collector with the same site write there? Move the file away")


def remove_leftovers(place: Place) -> None:
    """Remove hidden files of ours that a killed process left and that are not pending.  Raises OSError."""
    pending = place.cursor.pending
    needed = hidden(place.folder, pending.file) if pending else None
    ours = re.compile(rf"\.{re.escape(place.stem)}-[0-9]{{12}}-[0-9]{{12}}\.(csv|jsonl)(\.sha256)?\.part")
    for path in place.folder.iterdir():
        if ours.fullmatch(path.name) and path != needed:
            place.files.remove(path)


def hidden(folder: Path, name: str) -> Path:
    """Where a file lies until it gets its name."""
    return folder / f".{name}.part"


def _checksum_name(pending: Pending) -> str:
    return f"{pending.file}.sha256"
