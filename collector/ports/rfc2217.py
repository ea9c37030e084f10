"""A serial line behind a TCP port that speaks RFC 2217: the settings travel with the connection.

Knows: a small thread that pumps the line into a pipe, so that the reader knows one kind of port.
Must not know: pyserial (serial_port does), when to try again.
"""

import errno
import os
import threading

from collector.errors import PortLost
from collector.ports import LineSettings
from collector.ports.serial_port import RemoteLine, open_remote
from collector.ports.tcp import address, in_words

_LOOK_EVERY_S = 0.25


class RemotePort:
    """The read end of a pipe.  When the pump ends, its write end closes and the reader sees the end."""

    network = True
    marked = False

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

    def explain(self, fault: OSError | None) -> str:
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
        remote = open_remote(line)
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
