"""A folder that files are dropped into, each whole: a line is a file.

Knows: names that sort in the order of dropping, dot-file and rename.
Must not know: what is in the files, and when.
"""

from pathlib import Path

from collector.clock import Clock
from collector.errors import StoppedByIO
from collector.files import show


class DropFolder:
    """A wire that ends in a folder.  Names begin with the second it was made, so that later runs sort behind."""

    fds: tuple[int, ...] = ()

    def __init__(self, folder: Path, clock: Clock):
        """Raises StoppedByIO where the folder can't be made."""
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as fault:
            raise StoppedByIO(f"folder {folder} can't be made: {fault.strerror}") from fault
        self.where, self._folder = str(folder), folder
        self._since_s, self._dropped, self._begun = clock.wall_ns() // 1_000_000_000, 0, b""

    def write(self, data: bytes) -> int:
        """Take bytes; each line becomes a file.  None are lost.  Raises OSError."""
        *lines, self._begun = (self._begun + data).split(b"\n")
        for line in lines:
            self._dropped += 1
            show(self._folder / f"{self._since_s:012d}-{self._dropped:06d}.json", line + b"\n")
        return 0

    def ready(self, fd: int) -> tuple[int, bytes]:
        """There is nothing to hear."""
        return 0, b""

    def unread(self) -> int:
        """None: files stay."""
        return 0

    def close(self) -> None:
        """The files stay."""
