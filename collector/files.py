"""The few durable steps that everything on disk is made of, so that a test can make any one of them fail.

Knows: write, sync, rename, append, cut; POSIX and Windows differences of syncing a folder.
Must not know: what the bytes mean.
"""

import errno
import os
from pathlib import Path

_FOLDER_SYNC_UNSUPPORTED = {errno.EINVAL, errno.ENOTSUP}


class Files:
    """Durable file steps; every method returns only once its effect would survive a loss of power."""

    def write_new(self, path: Path, data: bytes) -> None:
        """Make the file with this content, or write it over if it is ours from before; synced, as is its folder."""
        with open(path, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        self.sync_folder(path.parent)

    def rename(self, old: Path, new: Path) -> None:
        """Give the file its new name; the folder is synced."""
        os.rename(old, new)
        self.sync_folder(new.parent)

    def replace(self, path: Path, data: bytes) -> None:
        """Change a small file of our own from one whole content to the next; a reader sees either."""
        beside = path.with_name(f".{path.name}.next")
        with open(beside, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(beside, path)
        self.sync_folder(path.parent)

    def append(self, path: Path, offset: int, data: bytes) -> None:
        """Write data at `offset`, which is the end of what counts so far; synced."""
        fresh = not path.exists()
        with open(path, "ab" if fresh else "r+b") as file:
            file.seek(offset)
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if fresh:
            self.sync_folder(path.parent)

    def remove(self, path: Path) -> None:
        """Remove a file of our own; one that is gone already is fine."""
        path.unlink(missing_ok=True)

    def sync_folder(self, folder: Path) -> None:
        """Sync a folder's entries.  Where the platform or share can't sync a folder, that is all it can do."""
        if os.name == "nt":
            return
        fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(fd)
        except OSError as fault:
            if fault.errno not in _FOLDER_SYNC_UNSUPPORTED:
                raise
        finally:
            os.close(fd)
