"""Bytes in: one way to open a port, whatever it is.

Knows: the kinds of ports, and what every open port can do.
Must not know: what the bytes mean, when to try again, who reads.
"""

import importlib
from typing import Protocol

from msgspec import Struct, structs

SOURCES = {                                   # scheme of the device -> module with `open_port(name, line)`
    "": "collector.ports.serial_port",
    "socket": "collector.ports.tcp",
    "rfc2217": "collector.ports.rfc2217",
}


class LineSettings(Struct, frozen=True, kw_only=True):
    """How a port is opened.  `baud` in bits/s; `parity` one of N E O M S; `stop` one of 1 1.5 2.

    `dtr`, `rts`: levels set before the port is opened; None leaves them to the driver.
    `marks`: have the driver mark characters with a line error (see marks.py), where it can.
    `own_parity`: the port is opened with eight bits and no parity, and the eighth is checked here (see parity.py).
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
    own_parity: bool = False

    @property
    def on_wire(self) -> "LineSettings":
        """What the device is set to."""
        return structs.replace(self, bits=8, parity="N", own_parity=False) if self.own_parity else self

    @property
    def may_check_parity(self) -> bool:
        """Whether `own_parity` would serve where an adapter refuses these settings."""
        return self.bits == 7 and self.parity != "N" and not self.own_parity

    def __str__(self) -> str:
        return f"{self.baud} {self.bits}{self.parity}{self.stop}, flow {self.flow}"


class LineErrors(Struct, frozen=True):
    """How often the driver has seen what: characters with bad parity, without a stop bit; breaks; characters that the
    adapter (`overrun`) or the kernel (`buffer_overrun`) had no room for, counted once for each time, however many."""

    parity: int = 0
    framing: int = 0
    breaks: int = 0
    overrun: int = 0
    buffer_overrun: int = 0

    def since(self, before: "LineErrors") -> "LineErrors":
        """What has come since `before`; a count that is smaller than before has begun anew."""
        pairs = ((name, getattr(self, name), getattr(before, name)) for name in self.__struct_fields__)
        return LineErrors(**{name: now - then if now >= then else now for name, now, then in pairs})


class LineState(Struct, frozen=True):
    """`errors`: None where nobody counts; `tampered`: the settings were changed by another program, and set again."""

    errors: LineErrors | None = None
    tampered: bool = False


class OpenPort(Protocol):
    """An open port.  `os.read(fd, n)` brings what is there; no bytes at all means that the line has hung up."""

    fd: int                 # non-blocking, readable
    identity: str           # what was really opened: the device behind the links, or HOST:PORT
    network: bool
    marked: bool            # characters with a line error are marked in the stream
    discarded: int          # bytes that waited at opening and were thrown away: received under other settings

    def write(self, data: bytes) -> None:
        """Send all of it now.  Raises BlockingIOError when it can't be sent now, OSError when the port is lost."""

    def explain(self, fault: OSError | None, brought: bool = True) -> str:
        """Why reading or writing failed, in words for a technician; None: it hung up.
        `brought`: it has brought bytes."""

    def look(self) -> LineState:
        """How the line is.  Raises OSError when the port is lost."""

    def hold(self, on: bool) -> None:
        """Ask the column to wait, or to go on, where the flow control is not the kernel's own.  Never raises."""

    def close(self) -> None:
        """Give everything back.  Never raises, never blocks for long."""


def scheme_of(device: str) -> str:
    """`socket` of `socket://host:port`; empty for a local device."""
    scheme, mark, _ = device.partition("://")
    return scheme if mark else ""


def is_network(device: str) -> bool:
    """Whether opening may wait for another machine."""
    return scheme_of(device) != ""


def take_back(name: str, line: LineSettings, fd: int) -> OpenPort:
    """The local port whose descriptor an earlier process has left.
    Raises PortLost, and closes it, where it serves no more."""
    return importlib.import_module(SOURCES[""]).take_back(name, line, fd)


def open_port(name: str, line: LineSettings) -> OpenPort:
    """Open the port `name`.  Raises PortLost with the cause in words; KeyError for a scheme that SOURCES has not."""
    module = importlib.import_module(SOURCES[scheme_of(line.device)])
    return module.open_port(name, line)
