"""A stand-in line behind a TCP port of this machine, which passes the bytes on as they are.

Knows: listening on 127.0.0.1 only, one reader at a time, dropping what nobody takes.
Must not know: what is sent, and when.
"""

import socket

from collector.errors import StoppedByIO

_READ_BYTES = 65536


class TcpWire:
    """One line.  `fds` are to be watched for reading; `ready` takes what they have."""

    def __init__(self, port: int):
        """Raises StoppedByIO where the port is taken."""
        try:
            self._door = socket.create_server(("127.0.0.1", port))
        except OSError as fault:
            raise StoppedByIO(f"TCP port {port} can't be had: {fault.strerror}") from fault
        self._door.setblocking(False)
        self._reader: socket.socket | None = None
        self.where = f"127.0.0.1:{port}"

    @property
    def fds(self) -> tuple[int, ...]:
        """The door, and the reader while there is one."""
        return (self._door.fileno(), self._reader.fileno()) if self._reader else (self._door.fileno(),)

    def write(self, data: bytes) -> int:
        """Send; returns how many bytes are lost because nobody is connected or takes them."""
        if self._reader is None:
            return len(data)
        try:
            return len(data) - self._reader.send(data)
        except BlockingIOError:
            return len(data)
        except OSError:
            self._hang_up()
            return len(data)

    def ready(self, fd: int) -> tuple[int, bytes]:
        """Take what a descriptor has; a second reader is turned away.  Returns 0 (what was sent before stays sent)
        and what was heard."""
        return 0, self._let_in() if fd == self._door.fileno() else self._hear()

    def _hear(self) -> bytes:
        """What the reader says; and notice that it has gone."""
        heard = b""
        try:
            while self._reader is not None:
                more = self._reader.recv(_READ_BYTES)
                heard += more
                if not more:
                    self._hang_up()
        except BlockingIOError:
            pass
        except OSError:
            self._hang_up()
        return heard

    def _let_in(self) -> bytes:
        try:
            caller, _ = self._door.accept()
        except OSError:                                      # gone again before it was let in
            return b""
        heard = self._hear()                                 # the one before may be gone since the last look
        if self._reader is not None:
            caller.close()
            return heard
        caller.setblocking(False)
        caller.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._reader = caller
        return heard

    def _hang_up(self) -> None:
        self._reader.close()
        self._reader = None

    def unread(self) -> int:
        """None: a connection delivers what was sent before its close."""
        return 0

    def close(self) -> None:
        if self._reader is not None:
            self._hang_up()
        self._door.close()
