"""A serial device of this machine; the only module that imports pyserial.

Knows: opening it with all its settings and for us alone, the causes of failure in words, pyserial's RFC 2217 client.
Must not know: when to try again, what the bytes mean.

pyserial opens and sets the port, no more: the reader reads its descriptor.  Its failures come as four unrelated types,
mostly without a number; the number is found along the chain of causes, never by the text of a message.
"""

import errno
import fcntl
import os
import queue
import sys
import termios
from contextlib import suppress

import serial
import serial.rfc2217

from collector.errors import PortLost
from collector.ports import LineSettings
from collector.ports.tcp import keep_watch

_FAILURES = (OSError, termios.error, TypeError, ValueError)
_STOP_BITS = {"1": serial.STOPBITS_ONE, "1.5": serial.STOPBITS_ONE_POINT_FIVE, "2": serial.STOPBITS_TWO}
_CHARACTER = {5: termios.CS5, 6: termios.CS6, 7: termios.CS7, 8: termios.CS8}
_MARK_SPACE_PARITY = 0o10000000000           # CMSPAR, which termios does not name
_PTY_MAJORS = range(136, 144)
_REMOTE_QUEUE = 1 << 20                      # bytes


class SerialPort:
    """An open device, held for this process alone."""

    network = False

    def __init__(self, device: str, port: serial.Serial, marked: bool):
        self.identity, self.marked = os.path.realpath(device), marked
        self._device, self._port = device, port
        self.fd = port.fd

    def write(self, data: bytes) -> None:
        if os.write(self.fd, data) < len(data):
            raise BlockingIOError(errno.EAGAIN, "the line takes no more now")

    def explain(self, fault: OSError | None) -> str:
        if not os.path.exists(self._device):
            return f"unplugged: {self._device} is gone"
        if fault is None or fault.errno == errno.EIO:
            return f"{self._device} hung up but is still there: the adapter was reset, or another program took it"
        return f"{self._device}: {os.strerror(fault.errno) if fault.errno else fault}"

    def close(self) -> None:
        # A device that holds back its output (flow control) would keep close waiting for half a minute; and a
        # pseudo-terminal, unlike a device, stays exclusive beyond its last close.
        with suppress(*_FAILURES):
            termios.tcflush(self.fd, termios.TCOFLUSH)
        with suppress(*_FAILURES):
            fcntl.ioctl(self.fd, termios.TIOCNXCL)
        with suppress(*_FAILURES):
            self._port.close()


def open_port(name: str, line: LineSettings) -> SerialPort:
    """Open a local device.  Raises PortLost: not there, no permission, in use, not serial, settings not taken."""
    try:
        port = _opened(line)
    except _FAILURES as fault:
        raise PortLost(name, _in_words(line, fault)) from fault
    try:
        fcntl.ioctl(port.fd, termios.TIOCEXCL)
        attributes = _own_flags(port.fd, line)
    except _FAILURES as fault:
        port.close()
        raise PortLost(name, _in_words(line, fault)) from fault
    refused = "" if _is_pty(port.fd) else refused_settings(line, attributes)
    if refused:
        port.close()
        raise PortLost(name, f"the adapter of {line.device} does not take {line}: {refused}")
    return SerialPort(line.device, port, bool(attributes[0] & termios.PARMRK))


def _opened(line: LineSettings) -> serial.Serial:
    port = serial.Serial()
    port.port = line.device
    port.exclusive = True
    _give_settings(port, line)
    port.open()
    return port


def _give_settings(port: serial.SerialBase, line: LineSettings) -> None:
    """All settings, DTR and RTS among them, before the port is opened: some columns take a pulse for a request."""
    port.timeout = 0
    port.baudrate, port.bytesize, port.parity = line.baud, line.bits, line.parity
    port.stopbits = _STOP_BITS[line.stop]
    port.rtscts, port.xonxoff, port.dsrdtr = (line.flow == flow for flow in ("rts-cts", "xon-xoff", "dsr-dtr"))
    if line.dtr is not None:
        port.dtr = line.dtr
    if line.rts is not None:
        port.rts = line.rts


def _own_flags(fd: int, line: LineSettings) -> list:
    """Set every input flag ourselves; give back the attributes that are now in force.

    pyserial leaves what a previous user set (a break would flush the input) and never asks for line errors.  With
    VMIN 0 a read that finds nothing would look like a hang-up.
    """
    attributes = termios.tcgetattr(fd)
    attributes[0] = termios.INPCK | termios.PARMRK if line.marks else 0
    if line.flow == "xon-xoff":
        attributes[0] |= termios.IXON | termios.IXOFF
    attributes[6][termios.VMIN] = 1
    termios.tcsetattr(fd, termios.TCSANOW, attributes)
    return termios.tcgetattr(fd)


def refused_settings(line: LineSettings, attributes: list) -> str:
    """Which settings are not in force though the driver took them without a word; empty: all are.

    `attributes` as `termios.tcgetattr` gives them.  A speed without a constant of its own can't be looked up.
    """
    control, speed = attributes[2], attributes[5]
    parity = {"N": 0, "E": termios.PARENB, "O": termios.PARENB | termios.PARODD,
              "M": termios.PARENB | termios.PARODD | _MARK_SPACE_PARITY, "S": termios.PARENB | _MARK_SPACE_PARITY}
    parity_bits = termios.PARENB | (_MARK_SPACE_PARITY | termios.PARODD if line.parity != "N" else 0)
    asked_speed = getattr(termios, f"B{line.baud}", speed)
    refused = []
    if speed != asked_speed:
        refused.append("the speed")
    if control & termios.CSIZE != _CHARACTER[line.bits]:
        refused.append(f"{line.bits} data bits")
    if control & parity_bits != parity[line.parity]:
        refused.append(f"parity {line.parity}")
    if bool(control & termios.CSTOPB) != (line.stop != "1"):
        refused.append(f"stop bits {line.stop}")
    return ", ".join(refused)


def _is_pty(fd: int) -> bool:
    """A pseudo-terminal has no wire, so it never takes bits or parity; that is no fault of it."""
    return os.major(os.fstat(fd).st_rdev) in _PTY_MAJORS


def _number_of(fault: BaseException) -> int | None:
    """The system's error number, from whichever exception of the chain has it."""
    seen: BaseException | None = fault
    while seen is not None:
        if isinstance(seen, OSError) and seen.errno is not None:
            return seen.errno
        if isinstance(seen, termios.error) and seen.args:
            return seen.args[0]
        seen = seen.__cause__ or seen.__context__
    return None


def _in_words(line: LineSettings, fault: BaseException) -> str:
    device, number = line.device, _number_of(fault)
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.ENOTDIR):
        return f"{device} is not there: unplugged, or it goes by another name"
    if number in (errno.EACCES, errno.EPERM):
        return f"no permission to open {device}: the user must be in its group (most often dialout), the service allowed it"
    if number in (errno.EBUSY, errno.EAGAIN):
        return f"{device} is in use by another program"
    if number in (errno.ENOTTY, errno.EISDIR):
        return f"{device} is not a serial device"
    if number == errno.EIO:
        return f"{device} does not answer: unplugged just now, or there is no hardware behind it"
    if number == errno.EINVAL or isinstance(fault, (TypeError, ValueError)):
        return f"the adapter of {device} does not take {line}"
    return f"{device}: {os.strerror(number) if number else fault}"


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
        with suppress(*_FAILURES):
            self._client.close()


def open_remote(line: LineSettings) -> RemoteLine:
    """Connect to `rfc2217://HOST:PORT`, pyserial's options behind a `?`.

    Raises OSError: its cause is the socket's own fault, or there is none where the far end does not agree.
    """
    client = _Client()
    client.port = line.device
    try:
        _give_settings(client, line)
        client.open()
    except (TypeError, ValueError) as fault:
        raise OSError(errno.EINVAL, f"{line} is not to be had over RFC 2217") from fault
    try:
        return RemoteLine(client)
    except OSError:
        client.close()
        raise
