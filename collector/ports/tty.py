"""What the kernel does with an open serial device: flags, exclusiveness, what waits, counts of line errors,
control lines.

Knows: termios and ioctl on a descriptor.
Must not know: pyserial, names of devices, who reads.
"""

import fcntl
import os
import struct
import termios

from collector.ports import LineErrors, LineSettings

_CHARACTER = {5: termios.CS5, 6: termios.CS6, 7: termios.CS7, 8: termios.CS8}
_MARK_SPACE_PARITY = 0o10000000000           # CMSPAR, which termios does not name
_PTY_MAJORS = range(136, 144)
ALTERING = termios.ISTRIP | termios.INLCR | termios.IGNCR | termios.ICRNL | termios.IXON
"""Input flags under which bytes are not what the column sent."""

_TIOCGEXCL = 0x80045440
_TIOCGICOUNT = 0x545D
_ICOUNT = struct.Struct("@20i")              # struct serial_icounter_struct of <linux/serial.h>


def is_pty(fd: int) -> bool:
    """A pseudo-terminal has no wire, so it never takes bits or parity; that is no fault of it."""
    return os.major(os.fstat(fd).st_rdev) in _PTY_MAJORS


def is_exclusive(fd: int) -> bool:
    """Whether somebody has claimed the device; the kernel keeps all out then but root."""
    return _int_of(fd, _TIOCGEXCL) != 0


def claim(fd: int) -> None:
    """Keep every other program out.  Raises OSError."""
    fcntl.ioctl(fd, termios.TIOCEXCL)


def waiting_bytes(fd: int) -> int:
    """How many bytes wait to be read."""
    return _int_of(fd, termios.FIONREAD)


def set_flags(fd: int, line: LineSettings) -> list:
    """Set every input flag ourselves; give back the attributes that are now in force.  Raises termios.error.

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


def in_force_for(attributes: list, pty: bool, flags: int = ~0) -> tuple:
    """What of a device's attributes decides how bytes arrive, to see whether it is another than before; of the input
    flags only `flags`."""
    control, local, speed = attributes[2:5]
    character = control & (termios.CSIZE | termios.PARENB | termios.PARODD | _MARK_SPACE_PARITY | termios.CSTOPB)
    return (attributes[0] & flags, local & termios.ICANON, () if pty else (character, speed))


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


def line_errors(fd: int) -> LineErrors | None:
    """The driver's own counts since it was loaded; None where it does not count."""
    try:
        counts = _ICOUNT.unpack(fcntl.ioctl(fd, _TIOCGICOUNT, bytes(_ICOUNT.size)))
    except OSError:
        return None
    frame, overrun, parity, breaks, buffer_overrun = counts[6:11]
    return LineErrors(parity=parity, framing=frame, breaks=breaks, overrun=overrun, buffer_overrun=buffer_overrun)


def set_control(fd: int, bit: int, level: bool | None) -> None:
    """Set DTR or RTS (`termios.TIOCM_DTR`, `TIOCM_RTS`); None leaves it,
    and a device without such lines is left alone."""
    if level is None:
        return
    try:
        fcntl.ioctl(fd, termios.TIOCMBIS if level else termios.TIOCMBIC, struct.pack("I", bit))
    except OSError:
        if not is_pty(fd):
            raise


def takes_data(fd: int) -> bool:
    """Whether the far end's DSR says that it takes data; a device without that line takes them always."""
    try:
        return bool(_int_of(fd, termios.TIOCMGET) & termios.TIOCM_DSR)
    except OSError:
        return True


def _int_of(fd: int, request: int) -> int:
    return struct.unpack("i", fcntl.ioctl(fd, request, bytes(4)))[0]
