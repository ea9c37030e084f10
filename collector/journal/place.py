"""Whether a folder is fit for a journal: a network or removable file system is not.

Knows: Linux's list of mounts, which file systems live elsewhere, where the kernel says that a disk can be taken out.
Must not know: SQLite.
"""

import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from collector.errors import StoppedByIO

_ELSEWHERE = {
    "nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "afs", "ceph", "glusterfs", "lustre", "ncpfs", "coda", "beegfs",
    "gpfs", "ocfs2", "gfs2", "orangefs", "davfs", "vboxsf", "vmhgfs", "prl_fs", "fuse",
}
_ESCAPED = re.compile(r"\\([0-7]{3})")


class Mount(NamedTuple):
    """A line of mountinfo: `device` is `major:minor`."""

    point: str
    kind: str
    device: str


def refuse_unfit(folder: Path) -> None:
    """Raises StoppedByIO where the folder lies on a network or removable file system."""
    try:
        mountinfo = Path("/proc/self/mountinfo").read_text(encoding="utf-8", errors="surrogateescape")
    except OSError:
        return                               # not Linux: nothing to go by
    why = unfit(os.path.realpath(folder), mountinfo, is_removable)
    if why:
        raise StoppedByIO(f"the journal can't be kept in {folder}: {why}; give `state` a folder on a built-in disk")


def unfit(folder: str, mountinfo: str, removable: Callable[[str], bool]) -> str:
    """Why the (real, absolute) folder is unfit, or `""`.  `removable` tells it of a device `major:minor`."""
    mount = mount_of(folder, mountinfo)
    if mount is None:
        return ""
    if mount.kind in _ELSEWHERE or mount.kind.startswith("fuse."):
        return f"{mount.point} is a network file system ({mount.kind}), where a database is not safe"
    if removable(mount.device):
        return f"{mount.point} is on a disk that can be taken out"
    return ""


def mount_of(folder: str, mountinfo: str) -> Mount | None:
    """The mount that the folder lies on: the longest mount point above it, of equals the one mounted last."""
    found = None
    for line in mountinfo.splitlines():
        mount = _mount(line)
        if mount and _is_above(mount.point, folder) and (found is None or len(mount.point) >= len(found.point)):
            found = mount
    return found


def _mount(line: str) -> Mount | None:
    before, mark, after = line.partition(" - ")
    fields, kinds = before.split(" "), after.split(" ")
    if not mark or len(fields) < 6:
        return None
    point = _ESCAPED.sub(lambda octal: chr(int(octal[1], 8)), fields[4])
    return Mount(point, kinds[0], fields[2])


def _is_above(point: str, folder: str) -> bool:
    return point == "/" or folder == point or folder.startswith(f"{point}/")


def is_removable(device: str, blocks: Path = Path("/sys/dev/block")) -> bool:
    """Whether the kernel says so of the disk `major:minor`, or of the disk that it is a partition of."""
    for told in (blocks / device / "removable", blocks / device / ".." / "removable"):
        try:
            return told.read_text().strip() == "1"
        except OSError:
            continue
    return False
