"""What the kernel does with an open device: on pseudo-terminals, and for what they have not, at the system call itself."""

import errno
import fcntl
import os
import struct
import subprocess
import sys
import termios
import tty as raw_tty

import pytest

from collector.errors import PortLost
from collector.ports import LineErrors, LineSettings, LineState, open_port, tty
from collector.ports.devices import adapter_of, holders
from tests.conftest import wait_for
from tests.unit.test_ports import adapter, read_bytes


@pytest.fixture
def pty():
    master, slave = os.openpty()
    yield master, os.ttyname(slave), slave
    for fd in (master, slave):
        os.close(fd)


def test_what_waits_at_opening_is_kept(pty):
    master, device, slave = pty
    raw_tty.setraw(slave)
    os.write(master, b"P 12.018\r\n")
    port = open_port("bore", LineSettings(device=device))
    assert port.discarded == 0 and read_bytes(port, 10) == b"P 12.018\r\n"
    port.close()


def test_what_waits_but_came_under_other_settings_is_thrown_away_and_counted(pty):
    master, device, slave = pty
    attributes = termios.tcgetattr(slave)
    attributes[3] &= ~termios.ICANON
    attributes[0] |= termios.ICRNL                            # a CR would have become an LF
    termios.tcsetattr(slave, termios.TCSANOW, attributes)
    os.write(master, b"P 12.018\r\n")
    wait_for(lambda: struct.unpack("i", fcntl.ioctl(slave, termios.FIONREAD, bytes(4))) == (10,), "all of it on this side")
    port = open_port("bore", LineSettings(device=device))
    assert port.discarded == 10
    os.write(master, b"P 12.019\r\n")
    assert read_bytes(port, 10) == b"P 12.019\r\n"
    port.close()


def test_a_claimed_device_is_refused_to_root_as_well(pty):
    _, device, slave = pty
    fcntl.ioctl(slave, termios.TIOCEXCL)
    with pytest.raises(PortLost) as lost:
        open_port("bore", LineSettings(device=device))
    assert f"{device} is in use by another program" in lost.value.cause
    fcntl.ioctl(slave, termios.TIOCNXCL)
    open_port("bore", LineSettings(device=device)).close()


def test_who_has_a_device_open_is_named(pty):
    _, device, slave = pty
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE, pass_fds=[slave]) as other:
        found = holders(device, but=os.getpid())
        fcntl.flock(slave, fcntl.LOCK_EX)
        with pytest.raises(PortLost) as lost:
            open_port("bore", LineSettings(device=device))
        other.communicate(b"\n")
    name = found[0][1]
    assert found == [(other.pid, name)] and "python" in name
    assert lost.value.cause.endswith(f"in use by another program: {name} (process {other.pid})")


def test_settings_that_another_program_changes_are_found_and_set_again(pty):
    master, device, slave = pty
    port = open_port("bore", LineSettings(device=device))
    assert port.look() == LineState(None, False)
    attributes = termios.tcgetattr(slave)
    attributes[0] |= termios.ICRNL
    termios.tcsetattr(slave, termios.TCSANOW, attributes)
    assert port.look().tampered
    os.write(master, b"P\r")
    assert read_bytes(port, 2) == b"P\r"
    assert not port.look().tampered
    port.close()


def test_settings_are_changed_in_place_and_what_came_before_is_thrown_away(pty):
    master, device, slave = pty
    port = open_port("bore", LineSettings(device=device, baud=9600))
    os.write(master, b"old")
    fd = port.fd
    port.change(LineSettings(device=device, baud=19200, stop="2"))
    os.write(master, b"new")
    assert port.fd == fd and read_bytes(port, 3) == b"new"
    assert termios.tcgetattr(slave)[5] == termios.B19200 and not port.look().tampered
    with pytest.raises(PortLost, match="does not take 9600 8X1"):
        port.change(LineSettings(device=device, parity="X"))
    port.close()


def test_the_drivers_counts_are_read_as_linux_lays_them_out(pty, mocker):
    """struct serial_icounter_struct of <linux/serial.h> (from memory): cts dsr rng dcd rx tx frame overrun parity brk buf_overrun."""
    _, _, slave = pty
    real = fcntl.ioctl
    counts = struct.pack("@20i", 1, 2, 3, 4, 500, 600, 7, 8, 9, 10, 11, *[0] * 9)
    mocker.patch("fcntl.ioctl", lambda fd, request, *rest: counts if request == 0x545D else real(fd, request, *rest))
    assert tty.line_errors(slave) == LineErrors(parity=9, framing=7, breaks=10, overrun=8, buffer_overrun=11)


def test_a_driver_that_does_not_count_is_not_taken_for_one_without_errors(pty):
    assert tty.line_errors(pty[2]) is None


def test_a_driver_that_does_not_count_is_asked_once_and_one_that_counts_at_each_look(pty, mocker):
    real, asked, answer = fcntl.ioctl, [], [struct.pack("@20i", *range(20))]

    def ioctl(fd, request, *rest):
        if request != 0x545D:
            return real(fd, request, *rest)
        asked.append(fd)
        return answer[0] if answer else real(fd, request, *rest)

    mocker.patch("fcntl.ioctl", ioctl)
    for count in (4, 1):
        port = open_port("bore", LineSettings(device=pty[1]))
        assert [port.look().errors is None for _ in range(3)] == [not answer] * 3
        port.close()
        assert len(asked) == count
        asked.clear()
        answer.clear()


def test_counts_since_the_last_look_survive_a_driver_that_begins_anew():
    assert LineErrors(parity=9, breaks=2).since(LineErrors(parity=4, breaks=5)) == LineErrors(parity=5, breaks=2)


def test_a_request_waits_for_dsr_where_that_is_the_flow_control(pty, mocker):
    master, device, _ = pty
    port = open_port("bore", LineSettings(device=device, flow="dsr-dtr"))
    port.write(b"?")                                          # a pseudo-terminal has no such line
    lines = [0]
    real = fcntl.ioctl
    mocker.patch("fcntl.ioctl", lambda fd, request, *rest:
                 struct.pack("i", lines[0]) if request == termios.TIOCMGET else real(fd, request, *rest))
    with pytest.raises(BlockingIOError, match="DSR"):
        port.write(b"?")
    lines[0] = termios.TIOCM_DSR
    port.write(b"?")
    assert os.read(master, 1) + os.read(master, 1) == b"??"
    port.close()


@pytest.mark.parametrize("flow, on, bits", [("dsr-dtr", True, [(termios.TIOCMBIC, termios.TIOCM_DTR)]),
                                            ("dsr-dtr", False, [(termios.TIOCMBIS, termios.TIOCM_DTR)]), ("rts-cts", True, [])])
def test_a_column_is_held_by_dtr_only_where_that_is_the_flow_control(pty, mocker, flow, on, bits):
    port = open_port("bore", LineSettings(device=pty[1], flow=flow))
    asked, real = [], fcntl.ioctl

    def ioctl(fd, request, *rest):
        if request in (termios.TIOCMBIS, termios.TIOCMBIC):
            asked.append((request, struct.unpack("I", rest[0])[0]))
            return b""
        return real(fd, request, *rest)

    mocker.patch("fcntl.ioctl", ioctl)
    port.hold(on)
    assert asked == bits
    mocker.stopall()
    port.close()


@pytest.mark.parametrize("dtr, rts, wanted", [(False, True, [(termios.TIOCMBIC, termios.TIOCM_DTR), (termios.TIOCMBIS, termios.TIOCM_RTS)]),
                                              (None, None, [])])
def test_control_lines_are_set_before_anything_else_is(pty, mocker, dtr, rts, wanted):
    done, real = [], fcntl.ioctl
    mocker.patch("fcntl.ioctl", lambda fd, request, *rest: done.append((request, struct.unpack("I", rest[0])[0]))
                 if request in (termios.TIOCMBIS, termios.TIOCMBIC) else real(fd, request, *rest))
    set_attributes = termios.tcsetattr
    mocker.patch("termios.tcsetattr", lambda *rest: done.append("settings") or set_attributes(*rest))
    port = open_port("bore", LineSettings(device=pty[1], dtr=dtr, rts=rts))
    assert done[:len(wanted) + 1] == [*wanted, "settings"]
    port.close()


def test_an_adapter_is_called_by_what_it_calls_itself(tmp_path):
    adapter(tmp_path, "ttyUSB0", "1-1", serial="K4711")
    assert adapter_of("/dev/ttyUSB0", tmp_path) == "the adapter Invented Line Adapter (invented_sio)"
    assert adapter_of("/dev/ttyUSB1", tmp_path) == "the device"


def test_a_device_that_is_gone_when_it_is_looked_at_is_lost():
    master, slave = os.openpty()
    port = open_port("bore", LineSettings(device=os.ttyname(slave)))
    os.close(slave)
    os.close(master)
    with pytest.raises(OSError) as lost:
        port.look()
    assert lost.value.errno == errno.EIO
    port.close()
