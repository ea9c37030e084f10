"""A serial line behind a TCP port that speaks RFC 2217: the settings travel with the connection.

Knows: pyserial's client, without its losses; a small thread that pumps the line into a pipe, so that the reader knows
one kind of port.
Must not know: when to try again.
"""

import errno
import os
import queue
import sys
import threading
from contextlib import suppress

import serial.rfc2217

from collector.errors import PortLost
from collector.ports import LineSettings, LineState
from collector.ports.serial_port import FAILURES, give_settings
from collector.ports.tcp import address, in_words, keep_watch

_LOOK_EVERY_S = 0.25
_REMOTE_QUEUE = 1 << 20                      # bytes


class _Client(serial.rfc2217.Serial):
    """pyserial's RFC 2217 client, without three faults of it."""

    def close(self) -> None:
        link = self._socket
        super().close()                      # forgets the socket unclosed where the far end was quicker
        if link is not None:
            link.close()

    def _telnet_read_loop(self) -> None:
        with suppress(OSError):              # the far end is gone while it is being answered: `read` will say so
            super()._telnet_read_loop()

    def _telnet_process_subnegotiation(self, suboption: bytes) -> None:
        with suppress(TypeError):            # an answer to what was not asked (of a shared line) would end the thread
            super()._telnet_process_subnegotiation(suboption)


class RemoteLine:
    """pyserial's RFC 2217 client, read without its two losses.

    Its own `read` drops what it holds once the connection has ended, and its queue of single bytes has no bound.  So
    the queue is read here, and bounded: when it is full the bytes stay with the far end.
    """

    def __init__(self, client: _Client):
        self._client = client
        self._thread, self._bytes = client._thread, client._read_buffer
        self._bytes.maxsize = _REMOTE_QUEUE
        keep_watch(client._socket)

    def read(self, wait_s: float) -> bytes | None:
        """What has arrived; empty after `wait_s` without anything; None once the connection has ended."""
        alive = self._thread.is_alive()
        try:
            got = [self._bytes.get(timeout=wait_s)]
        except queue.Empty:
            return b"" if alive else None
        with suppress(queue.Empty):
            while got[-1] is not None and len(got) < 65536:
                got.append(self._bytes.get_nowait())
        return b"".join(filter(None, got)) or None       # after bytes and the end: the next call finds the thread dead

    def write(self, data: bytes) -> None:
        """Send it.  Raises OSError when the connection is lost."""
        with suppress(TypeError, AttributeError):        # closed by the other thread meanwhile: reading will say so
            self._client.write(data)

    def close(self) -> None:
        """End the connection and pyserial's thread; takes pyserial a third of a second."""
        self._bytes.maxsize = sys.maxsize
        with suppress(queue.Empty):
            self._bytes.get_nowait()         # pyserial's thread may wait for room
        with suppress(*FAILURES):
            self._client.close()


class RemotePort:
    """The read end of a pipe.  When the pump ends, its write end closes and the reader sees the end."""

    network = True
    marked = False
    discarded = 0

    def __init__(self, line: RemoteLine, identity: str):
        self.identity = identity
        self.cause = ""
        self._line = line
        self._ending = threading.Event()
        self.fd, self._into = os.pipe()
        os.set_blocking(self.fd, False)
        self._pump = threading.Thread(target=self._run, name=f"pump {identity}", daemon=True)
        self._pump.start()

    def write(self, data: bytes) -> None:
        self._line.write(data)

    def look(self) -> LineState:
        return LineState()

    def hold(self, on: bool) -> None:
        pass                                 # flow control is the far end's own

    def explain(self, fault: OSError | None, brought: bool = True) -> str:
        return self.cause or in_words(self.identity, fault)

    def close(self) -> None:
        """The thread, and the connection with it, ends within a second after this has returned."""
        if self._ending.is_set():
            return
        self._ending.set()
        os.close(self.fd)                    # a pump that waits for room in the pipe wakes up

    def _run(self) -> None:
        try:
            self._pump_until_it_ends()
        except BrokenPipeError:
            pass                             # closed on our side
        finally:
            os.close(self._into)
            self._line.close()

    def _pump_until_it_ends(self) -> None:
        while not self._ending.is_set():
            data = self._line.read(_LOOK_EVERY_S)
            if data is None:
                self.cause = f"the far end {self.identity} closed the connection"
                return
            self._pass_on(data)

    def _pass_on(self, data: bytes) -> None:
        while data:
            data = data[os.write(self._into, data):]


def open_port(name: str, line: LineSettings) -> RemotePort:
    """Connect and have the far end set its line.  Raises PortLost."""
    _, _, identity = address(name, line.device)
    try:
        remote = open_remote(line.on_wire)
    except OSError as fault:
        raise PortLost(name, _why(identity, fault)) from fault
    return RemotePort(remote, identity)


def _why(identity: str, fault: BaseException | None) -> str:
    """The cause in words, from whichever exception of the chain says it."""
    while fault is not None:
        if isinstance(fault, UnicodeError):
            return in_words(identity, fault)
        if isinstance(fault, ValueError):
            return f"{identity}: what stands behind the ? is not known; ign_set_control is, for servers that need it"
        if isinstance(fault, TimeoutError) or isinstance(fault, OSError) and fault.errno not in (None, errno.EINVAL):
            return in_words(identity, fault)
        if isinstance(fault, OSError) and fault.errno == errno.EINVAL:
            return f"{identity}: {fault.strerror}"
        fault = fault.__cause__ or fault.__context__
    return f"{identity} answers, but not as RFC 2217 with these settings; a raw line is socket://{identity}"


def open_remote(line: LineSettings) -> RemoteLine:
    """Connect to `rfc2217://HOST:PORT`, pyserial's options behind a `?`.

    Raises OSError: its cause is the socket's own fault, or there is none where the far end does not agree.
    """
    client = _Client()
    client.port = line.device
    try:
        give_settings(client, line)
        client.open()
    except (TypeError, ValueError) as fault:
        raise OSError(errno.EINVAL, f"{line} is not to be had over RFC 2217") from fault
    try:
        return RemoteLine(client)
    except OSError:
        client.close()
        raise
