"""A serial line behind a TCP port that passes its bytes on as they are.

Knows: connecting, noticing that the far end is dead, the causes in words.
Must not know: RFC 2217, when to try again.
"""

import errno
import os
import socket
import time
from urllib.parse import urlsplit

from collector.errors import PortLost
from collector.ports import LineSettings, LineState

CONNECT_S = 5.0
AT_ONCE_S = 1.0
_KEEPALIVE = (("TCP_KEEPIDLE", 10), ("TCP_KEEPINTVL", 5), ("TCP_KEEPCNT", 3), ("TCP_USER_TIMEOUT", 25_000))


class TcpPort:
    """A connected socket.  The far end alone knows the line's settings."""

    network = True
    marked = False
    discarded = 0

    def __init__(self, link: socket.socket, identity: str):
        self.identity = identity
        self._link = link
        self._since = time.monotonic()
        self.fd = link.fileno()

    def write(self, data: bytes) -> None:
        sent = self._link.send(data)
        if sent < len(data):
            raise BlockingIOError(errno.EAGAIN, "the connection takes no more now")

    def look(self) -> LineState:
        return LineState()

    def hold(self, on: bool) -> None:
        pass                                 # what is not read stays with the far end

    def explain(self, fault: OSError | None, brought: bool = True) -> str:
        if fault is None and not brought and time.monotonic() - self._since < AT_ONCE_S:
            return (f"{self.identity} took the connection and closed it at once: the network is well, "
                    "but the device behind it is gone, or another program has it")
        return in_words(self.identity, fault)

    def close(self) -> None:
        self._link.close()


def open_port(name: str, line: LineSettings) -> TcpPort:
    """Connect to `socket://HOST:PORT`.  Raises PortLost after at most about 5 s for each address of the host."""
    host, port, identity = address(name, line.device)
    try:
        link = socket.create_connection((host, port), timeout=CONNECT_S)
    except (OSError, UnicodeError) as fault:
        raise PortLost(name, in_words(identity, fault)) from fault
    try:
        keep_watch(link)
        link.setblocking(False)
    except OSError as fault:
        link.close()
        raise PortLost(name, in_words(identity, fault)) from fault
    return TcpPort(link, identity)


def address(name: str, device: str) -> tuple[str, int, str]:
    """(host, port, `HOST:PORT`) of a device text.  Raises PortLost where it has none."""
    try:
        parts = urlsplit(device)
        host, port = parts.hostname, parts.port
    except ValueError:
        host = port = None
    if not host or not port:
        raise PortLost(name, f"{device} names no host and port; write {device.partition('://')[0]}://HOST:PORT")
    return host, port, f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


def keep_watch(link: socket.socket) -> None:
    """Have the system notice a silent death of the far end within half a minute, and send small writes at once."""
    link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    link.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for option, value in _KEEPALIVE:
        if hasattr(socket, option):
            link.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)


def in_words(identity: str, fault: BaseException | None) -> str:
    """Why the connection can't be had or is gone; None: the far end closed it."""
    if fault is None:
        return f"the far end {identity} closed the connection"
    if isinstance(fault, (socket.gaierror, UnicodeError)):
        return f"the name in {identity} is not known to this network"
    number = getattr(fault, "errno", None)
    if isinstance(fault, TimeoutError) or number == errno.ETIMEDOUT:
        return f"no answer from {identity}: switched off, another address, or the network is down"
    if number == errno.ECONNREFUSED:
        return f"{identity} refuses: the machine is there, but nothing listens on that port"
    if number in (errno.EHOSTUNREACH, errno.ENETUNREACH, errno.ENETDOWN, errno.EHOSTDOWN):
        return f"no way to {identity}: the network or the machine is down"
    if number in (errno.ECONNRESET, errno.EPIPE):
        return f"the far end {identity} broke the connection off"
    return f"{identity}: {os.strerror(number) if number else fault}"
