"""Bytes in: one way to open a port, whatever it is.

Knows: the kinds of ports, and what every open port can do.
Must not know: what the bytes mean, when to try again, who reads.
"""

import importlib
from typing import Protocol

from msgspec import Struct

SOURCES = {                                   # scheme of the device -> module with `open_port(name, line)`
    "": "collector.ports.serial_port",
    "socket": "collector.ports.tcp",
    "rfc2217": "collector.ports.rfc2217",
}


class LineSettings(Struct, frozen=True, kw_only=True):
    """How a port is opened.  `baud` in bits/s; `parity` one of N E O M S; `stop` one of 1 1.5 2.

    `dtr`, `rts`: levels set before the port is opened; None leaves them to the driver.
    `marks`: have the driver mark characters with a line error (see marks.py), where it can.
    """

    device: str
    baud: int = 9600
    bits: int = 8
    parity: str = "N"
    stop: str = "1"
    flow: str = "none"
    dtr: bool | None = None
    rts: bool | None = None
    marks: bool = True

    def __str__(self) -> str:
        return f"{self.baud} {self.bits}{self.parity}{self.stop}, flow {self.flow}"


class OpenPort(Protocol):
    """An open port.  `os.read(fd, n)` brings what is there; no bytes at all means that the line has hung up."""

    fd: int                 # non-blocking, readable
    identity: str           # what was really opened: the device behind the links, or HOST:PORT
    network: bool
    marked: bool            # characters with a line error are marked in the stream

    def write(self, data: bytes) -> None:
        """Send all of it now.  Raises BlockingIOError when it can't be sent now, OSError when the port is lost."""

    def explain(self, fault: OSError | None) -> str:
        """Why reading or writing failed, in words for a technician; None: it hung up."""

    def close(self) -> None:
        """Give everything back.  Never raises, never blocks for long."""


def scheme_of(device: str) -> str:
    """`socket` of `socket://host:port`; empty for a local device."""
    scheme, mark, _ = device.partition("://")
    return scheme if mark else ""


def is_network(device: str) -> bool:
    """Whether opening may wait for another machine."""
    return scheme_of(device) != ""


def open_port(name: str, line: LineSettings) -> OpenPort:
    """Open the port `name`.  Raises PortLost with the cause in words; KeyError for a scheme that SOURCES has not."""
    module = importlib.import_module(SOURCES[scheme_of(line.device)])
    return module.open_port(name, line)
