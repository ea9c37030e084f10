"""A serial device of this machine: opening it with all its settings and for us alone, the causes of failure in words.

Knows: pyserial for the settings; what an adapter may refuse without a word.
Must not know: when to try again, what the bytes mean.

What waits at opening was sent by the column and is kept, unless it came under other settings; pyserial's own `open`
throws it away.  pyserial's failures come as four unrelated types, mostly without a number; the number is found along
the chain of causes, never by the text of a message.
"""

import errno
import fcntl
import os
import select
import termios
from contextlib import suppress

import serial

from collector.errors import PortLost
from collector.ports import LineSettings, LineState, tty
from collector.ports.devices import adapter_of, find, holders, list_devices

FAILURES = (OSError, termios.error, TypeError, ValueError)
_STOP_BITS = {"1": serial.STOPBITS_ONE, "1.5": serial.STOPBITS_ONE_POINT_FIVE, "2": serial.STOPBITS_TWO}


class SerialPort:
    """An open device, held for this process alone."""

    network = False

    def __init__(self, line: LineSettings, fd: int, attributes: list, discarded: int):
        self.identity, self.marked = os.path.realpath(line.device), bool(attributes[0] & termios.PARMRK)
        self.fd, self.discarded = fd, discarded
        self._line, self._device, self._pty = line, line.device, tty.is_pty(fd)
        self._in_force = tty.in_force_for(attributes, self._pty)
        self._counts = tty.line_errors(fd) is not None

    def write(self, data: bytes) -> None:
        if self._line.flow == "dsr-dtr" and not tty.takes_data(self.fd):
            raise BlockingIOError(errno.EAGAIN, "the column does not raise DSR")
        if os.write(self.fd, data) < len(data):
            raise BlockingIOError(errno.EAGAIN, "the line takes no more now")

    def look(self) -> LineState:
        try:
            tampered = tty.in_force_for(termios.tcgetattr(self.fd), self._pty) != self._in_force
            if tampered:
                _settle(self.fd, self._line)
        except (termios.error, ValueError) as fault:
            raise OSError(_number_of(fault) or errno.EIO, "the device is gone") from fault
        return LineState(tty.line_errors(self.fd) if self._counts else None, tampered)

    def hold(self, on: bool) -> None:
        if self._line.flow == "dsr-dtr":
            with suppress(OSError):
                tty.set_control(self.fd, termios.TIOCM_DTR, not on)

    def change(self, line: LineSettings) -> None:
        """Other settings, without closing: the control lines stay as they are.  What came under the old ones is thrown
        away.  Raises PortLost."""
        try:
            attributes = _settle(self.fd, line)
            termios.tcflush(self.fd, termios.TCIFLUSH)
        except FAILURES as fault:
            raise PortLost(self._device, _in_words(line, fault)) from fault
        self._line, self._in_force = line, tty.in_force_for(attributes, self._pty)
        self.marked = bool(attributes[0] & termios.PARMRK)

    def explain(self, fault: OSError | None, brought: bool = True) -> str:
        if not os.path.exists(self._device):
            return f"unplugged: {self._device} is gone"
        if fault is None or fault.errno == errno.EIO:
            others = _by(holders(self.identity, but=os.getpid()))
            took = f"another program took it{others}" if others else "the adapter was reset, or another program took it"
            return f"{self._device} hung up but is still there: {took}"
        return f"{self._device}: {os.strerror(fault.errno) if fault.errno else fault}"

    def close(self) -> None:
        # A device that holds back its output (flow control) would keep close waiting for half a minute.
        with suppress(*FAILURES):
            termios.tcflush(self.fd, termios.TCOFLUSH)
        _let_go(self.fd)
        self.fd = -1


def open_port(name: str, line: LineSettings) -> SerialPort:
    """Open a local device.  Raises PortLost: not there, no permission, in use, not serial, settings not taken."""
    try:
        fd = os.open(line.device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC)
    except FAILURES as fault:
        raise PortLost(name, _in_words(line, fault)) from fault
    try:
        return _opened(name, line, fd)
    except FAILURES as fault:
        os.close(fd)
        raise PortLost(name, _in_words(line, fault)) from fault
    except PortLost:
        os.close(fd)
        raise


def take_back(name: str, line: LineSettings, fd: int) -> SerialPort:
    """The open port that an earlier process has left: its descriptor was kept, and with it what has arrived since.

    Raises PortLost, and closes it, where it is not that device any more, or has hung up.
    """
    try:
        if _hung_up(fd) or os.fstat(fd).st_rdev != os.stat(line.device).st_rdev:
            raise OSError(errno.ENODEV, "the kept descriptor is of another device, or has hung up")
        before = termios.tcgetattr(fd)
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        attributes = _set_all(name, line, fd)
        os.set_blocking(fd, False)
        tty.claim(fd)
        return SerialPort(line, fd, attributes, _discarded(fd, before, attributes))
    except (*FAILURES, PortLost) as fault:
        _let_go(fd)
        raise fault if isinstance(fault, PortLost) else PortLost(name, _in_words(line, fault)) from fault


def _let_go(fd: int) -> None:
    """Close it, and what a copy of it that is kept elsewhere, or a pseudo-terminal, would go on holding."""
    with suppress(*FAILURES):
        fcntl.ioctl(fd, termios.TIOCNXCL)
    with suppress(*FAILURES):
        fcntl.flock(fd, fcntl.LOCK_UN)
    with suppress(*FAILURES):
        os.close(fd)


def _hung_up(fd: int) -> bool:
    poll = select.poll()
    poll.register(fd, 0)
    return any(events & (select.POLLHUP | select.POLLERR | select.POLLNVAL) for _, events in poll.poll(0))


def _opened(name: str, line: LineSettings, fd: int) -> SerialPort:
    known = find(line.device, list_devices()) if line.device.startswith("/dev/serial/by-id/") else None
    if known is not None and known.by_id_is_shared:
        raise PortLost(name, f"{line.device} is the name of several adapters here; write {known.by_path or 'another'}")
    before = termios.tcgetattr(fd)           # raises where it is no serial device
    fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    pty = tty.is_pty(fd)
    others = [] if pty else holders(os.path.realpath(line.device), but=os.getpid())
    if tty.is_exclusive(fd) or others:
        raise OSError(errno.EBUSY, "held by another")
    attributes = _set_all(name, line, fd)
    tty.claim(fd)                            # last: a pseudo-terminal would keep it beyond a failure
    return SerialPort(line, fd, attributes, _discarded(fd, before, attributes))


def _set_all(name: str, line: LineSettings, fd: int) -> list:
    """Control lines and settings; the attributes that are in force.  Raises PortLost where they are not all taken."""
    tty.set_control(fd, termios.TIOCM_DTR, True if line.flow == "dsr-dtr" and line.dtr is None else line.dtr)
    tty.set_control(fd, termios.TIOCM_RTS, line.rts)
    attributes = _settle(fd, line)
    refused = "" if tty.is_pty(fd) else tty.refused_settings(line.on_wire, attributes)
    if refused:
        ours = "; write `parity-check: collector` to have bits and parity handled here" if line.may_check_parity else ""
        raise PortLost(name, f"{adapter_of(line.device)} at {line.device} does not take {line}: {refused}{ours}")
    return attributes


def _discarded(fd: int, before: list, attributes: list) -> int:
    """Throw away what waits where it came under other settings than now; how many bytes that was."""
    was, now = (tty.in_force_for(one, tty.is_pty(fd), tty.ALTERING) for one in (before, attributes))
    waiting = tty.waiting_bytes(fd) if was != now else 0
    if waiting:
        termios.tcflush(fd, termios.TCIFLUSH)
    return waiting


def _settle(fd: int, line: LineSettings) -> list:
    """Give an open device all settings; the attributes that are now in force."""
    port = serial.Serial()
    give_settings(port, line.on_wire)
    port.fd = fd
    port._reconfigure_port(force_update=True)
    port.fd = None
    return tty.set_flags(fd, line)


def give_settings(port: serial.SerialBase, line: LineSettings) -> None:
    """All settings to a port of pyserial that is not open yet.  Raises ValueError, TypeError."""
    port.timeout = 0
    port.baudrate, port.bytesize, port.parity = line.baud, line.bits, line.parity
    port.stopbits = _STOP_BITS[line.stop]
    port.rtscts, port.xonxoff, port.dsrdtr = (line.flow == flow for flow in ("rts-cts", "xon-xoff", "dsr-dtr"))
    if line.dtr is not None:
        port.dtr = line.dtr
    if line.rts is not None:
        port.rts = line.rts


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
        return (f"no permission to open {device}: "
                "the user must be in its group (most often dialout), the service allowed it")
    if number in (errno.EBUSY, errno.EAGAIN):
        return f"{device} is in use by another program{_by(holders(os.path.realpath(device), but=os.getpid()))}"
    if number in (errno.ENOTTY, errno.EISDIR):
        return f"{device} is not a serial device"
    if number == errno.EIO:
        return f"{device} does not answer: unplugged just now, or there is no hardware behind it"
    if number == errno.EINVAL or isinstance(fault, (TypeError, ValueError)):
        return f"{adapter_of(device)} at {device} does not take {line}"
    return f"{device}: {os.strerror(number) if number else fault}"


def _by(others: list[tuple[int, str]]) -> str:
    return ": " + ", ".join(f"{program} (process {pid})" for pid, program in others) if others else ""
