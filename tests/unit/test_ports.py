"""Opening ports: real pseudo-terminals, real sockets, an invented tree of devices."""

import errno
import os
import select
import socket
import struct
import termios
import threading
import time
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
import serial.rfc2217
from collector.errors import PortLost
from collector.ports import LineSettings, is_network, open_port
from collector.ports.devices import list_devices
from collector.ports.marks import unmark
from collector.ports.tty import refused_settings

pyserial_names_its_thread_in_an_old_way = pytest.mark.filterwarnings("ignore:set(Daemon|Name).*:DeprecationWarning")


@pytest.fixture
def pty():
    master, slave = os.openpty()
    yield master, os.ttyname(slave), slave
    for fd in (master, slave):
        try:
            os.close(fd)
        except OSError:
            pass


def read_bytes(port, count: int, within_s: float = 30.0) -> bytes:
    """Read until `count` bytes are there or the time is over."""
    data, deadline = b"", time.monotonic() + within_s
    while len(data) < count and time.monotonic() < deadline:
        if select.select([port.fd], [], [], 0.05)[0]:
            got = os.read(port.fd, 65536)
            if not got:
                break
            data += got
    return data


def open_files() -> int:
    return len(os.listdir("/proc/self/fd"))


def until(true, within_s: float = 30.0) -> bool:
    deadline = time.monotonic() + within_s
    while not true():
        if time.monotonic() > deadline:
            return False
        time.sleep(0.005)
    return True


def cause_of(device: str, **settings) -> str:
    with pytest.raises(PortLost) as lost:
        open_port("bore-column", LineSettings(device=device, **settings))
    assert lost.value.port == "bore-column"
    assert lost.value.__cause__ is not None
    return lost.value.cause


@contextmanager
def nobody():
    """As a user without rights (the test has to run as root for that)."""
    if os.geteuid() != 0:
        pytest.skip("giving up root's rights needs root")
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


# --- local devices


def test_every_byte_value_arrives_unaltered(pty):
    master, device, _ = pty
    port = open_port("bore-column", LineSettings(device=device, marks=False))
    os.write(master, bytes(range(256)))
    assert read_bytes(port, 256) == bytes(range(256))
    assert not port.marked and not port.network
    port.close()


def test_a_marked_line_doubles_a_good_ff_and_unmark_takes_it_back(pty):
    master, device, _ = pty
    port = open_port("bore-column", LineSettings(device=device))
    assert port.marked
    os.write(master, b"A\xffB")
    arrived = read_bytes(port, 4)
    assert arrived == b"A\xff\xffB"
    assert unmark(arrived) == (b"A\xffB", False)
    port.close()


@pytest.mark.parametrize("frame, data, error", [
    (b"+12.018", b"+12.018", False),
    (b"", b"", False),
    (b"+12.\xff\x00018", b"+12.\xff\x00018", True),         # a character with bad parity
    (b"\xff\x00\x00", b"\xff\x00\x00", True),               # a break
    (b"\xff\xff\x00", b"\xff\x00", False),                  # a good FF, then a good NUL
    (b"\xff\xff\xff\xff", b"\xff\xff", False),
    (b"\xff\xff\xff\x00A", b"\xff\xff\xff\x00A", True),
    (b"12\xff\x00", b"12\xff\x00", True),                   # the bad character was taken for the frame's end
    (b"12\xff", b"12\xff", True),
])
def test_marks_of_line_errors_are_found_and_good_characters_kept(frame, data, error):
    assert unmark(frame) == (data, error)


def test_a_quiet_line_does_not_look_like_one_that_hung_up(pty):
    _, device, _ = pty
    port = open_port("bore-column", LineSettings(device=device))
    with pytest.raises(BlockingIOError):
        os.read(port.fd, 100)
    port.close()


def test_what_is_written_reaches_the_column(pty):
    master, device, _ = pty
    port = open_port("bore-column", LineSettings(device=device))
    port.write(b"?\r\n")
    assert os.read(master, 100) == b"?\r\n"
    port.close()


def test_flags_left_by_a_previous_user_are_gone(pty):
    _, device, slave = pty
    left = termios.tcgetattr(slave)
    left[0] |= termios.BRKINT | termios.IGNPAR | termios.ISTRIP | termios.ICRNL | termios.IXON
    termios.tcsetattr(slave, termios.TCSANOW, left)
    port = open_port("bore-column", LineSettings(device=device))
    assert termios.tcgetattr(port.fd)[0] == termios.INPCK | termios.PARMRK
    port.close()


def test_software_flow_control_is_set_only_where_asked(pty):
    _, device, _ = pty
    port = open_port("bore-column", LineSettings(device=device, flow="xon-xoff"))
    assert termios.tcgetattr(port.fd)[0] & termios.IXON
    port.close()


def test_the_name_behind_a_link_is_told(pty, tmp_path):
    _, device, _ = pty
    (tmp_path / "bore").symlink_to(device)
    port = open_port("bore-column", LineSettings(device=str(tmp_path / "bore")))
    assert port.identity == device
    port.close()


def test_a_pulled_cable_is_called_unplugged(pty):
    master, device, slave = pty
    port = open_port("bore-column", LineSettings(device=device))
    assert "still there" in port.explain(None)
    os.close(slave)
    os.close(master)
    assert until(lambda: not os.path.exists(device))
    assert port.explain(OSError(errno.EIO, "")) == f"unplugged: {device} is gone"
    port.close()


def test_a_device_is_open_once_only(pty):
    _, device, _ = pty
    port = open_port("bore-column", LineSettings(device=device))
    assert "in use by another program" in cause_of(device)
    port.close()
    open_port("bore-column", LineSettings(device=device)).close()


def test_the_kernel_keeps_programs_out_that_ask_for_no_lock_until_the_port_is_closed(pty):
    _, device, _ = pty
    os.chmod(device, 0o666)
    port = open_port("bore-column", LineSettings(device=device))
    with nobody(), pytest.raises(OSError) as refused:
        os.open(device, os.O_RDWR | os.O_NOCTTY)
    assert refused.value.errno == errno.EBUSY
    port.close()
    with nobody():
        os.close(os.open(device, os.O_RDWR | os.O_NOCTTY))


def test_a_device_that_is_not_there_is_said_so(tmp_path):
    assert "is not there" in cause_of(str(tmp_path / "ttyUSB0"))


def test_a_device_without_permission_names_the_group(pty):
    _, device, _ = pty
    os.chmod(device, 0o600)
    with nobody():
        cause = cause_of(device)
    assert "no permission" in cause and "dialout" in cause


@pytest.mark.parametrize("make", [Path.touch, Path.mkdir])
def test_a_file_or_folder_is_not_a_serial_device(tmp_path, make):
    make(tmp_path / "ttyUSB0")
    assert "is not a serial device" in cause_of(str(tmp_path / "ttyUSB0"))


def test_settings_that_do_not_exist_are_said_to_be_refused(pty):
    _, device, _ = pty
    assert "does not take 9600 8X1" in cause_of(device, parity="X")


def test_settings_that_a_driver_dropped_without_a_word_are_found(pty):
    _, device, slave = pty
    port = open_port("bore-column", LineSettings(device=device, bits=7, parity="E", stop="2"))
    attributes = termios.tcgetattr(slave)             # a pty takes 7E2 and stays at 8 data bits without parity
    port.close()
    asked = LineSettings(device=device, bits=7, parity="E", stop="2")
    assert refused_settings(asked, attributes) == "7 data bits, parity E"
    assert refused_settings(LineSettings(device=device, stop="2"), attributes) == ""
    assert refused_settings(LineSettings(device=device, stop="1", baud=19200), attributes) == "the speed, stop bits 1"


def test_opening_and_closing_many_times_leaks_nothing(pty, tmp_path):
    _, device, _ = pty
    open_port("bore-column", LineSettings(device=device)).close()
    before = open_files()
    for _ in range(50):
        open_port("bore-column", LineSettings(device=device)).close()
        cause_of(str(tmp_path / "missing"))
        cause_of(device, parity="X")
    assert open_files() <= before


def test_a_closed_port_can_be_closed_again(pty):
    _, device, _ = pty
    port = open_port("bore-column", LineSettings(device=device))
    port.close()
    port.close()


# --- a raw line over TCP


@pytest.fixture
def listener():
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server


def url(server: socket.socket, scheme: str = "socket") -> str:
    return f"{scheme}://127.0.0.1:{server.getsockname()[1]}"


def test_bytes_pass_both_ways_over_a_socket(listener):
    port = open_port("bore-column", LineSettings(device=url(listener)))
    far, _ = listener.accept()
    with far:
        far.sendall(bytes(range(256)))
        assert read_bytes(port, 256) == bytes(range(256))
        with pytest.raises(BlockingIOError):
            os.read(port.fd, 100)
        port.write(b"?\r")
        assert far.recv(100) == b"?\r"
        assert port.network and port.identity == url(listener).removeprefix("socket://")
    port.close()


def test_a_far_end_that_closes_is_said_to_have_closed(listener):
    port = open_port("bore-column", LineSettings(device=url(listener)))
    far, _ = listener.accept()
    far.sendall(b"last words")
    far.close()
    assert read_bytes(port, 100) == b"last words"
    assert os.read(port.fd, 100) == b""
    assert "closed the connection" in port.explain(None)
    port.close()


def test_a_broken_connection_is_said_to_be_broken_off(listener):
    port = open_port("bore-column", LineSettings(device=url(listener)))
    far, _ = listener.accept()
    far.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    far.close()
    select.select([port.fd], [], [], 5)
    with pytest.raises(OSError) as fault:
        os.read(port.fd, 100)
    assert "broke the connection off" in port.explain(fault.value)
    port.close()


def test_a_silent_death_of_the_far_end_will_be_noticed(listener):
    port = open_port("bore-column", LineSettings(device=url(listener)))
    with socket.socket(fileno=os.dup(port.fd)) as same:
        assert same.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE) == 1
        options = [same.getsockopt(socket.IPPROTO_TCP, option) for option in
                   (socket.TCP_KEEPIDLE, socket.TCP_KEEPINTVL, socket.TCP_KEEPCNT, socket.TCP_USER_TIMEOUT)]
    assert options == [10, 5, 3, 25_000]
    port.close()


def test_writing_to_a_far_end_that_takes_nothing_does_not_wait(listener):
    port = open_port("bore-column", LineSettings(device=url(listener)))
    with pytest.raises(BlockingIOError):
        for _ in range(10_000):
            port.write(b"x" * 65536)
    port.close()


@pytest.mark.parametrize("scheme", ["socket", "rfc2217"])
def test_a_port_where_nobody_listens_is_said_so(scheme):
    with socket.create_server(("127.0.0.1", 0)) as server:
        device = url(server, scheme)
    assert "nothing listens" in cause_of(device)


@pytest.mark.parametrize("scheme", ["socket", "rfc2217"])
def test_a_name_that_can_be_no_host_is_said_to_be_unknown(scheme):
    assert "is not known to this network" in cause_of(f"{scheme}://no..host:4001")


@pytest.mark.parametrize("device", ["socket://127.0.0.1", "rfc2217://:4001", "socket://127.0.0.1:99999"])
def test_a_device_without_host_and_port_is_refused_in_words(device):
    with pytest.raises(PortLost, match="names no host and port"):
        open_port("bore-column", LineSettings(device=device))


def test_only_urls_are_network_ports():
    assert is_network("socket://127.0.0.1:4001") and is_network("rfc2217://127.0.0.1:4001")
    assert not is_network("/dev/serial/by-id/usb-Invented_0001") and not is_network("COM4")


# --- RFC 2217


class RemoteColumn:
    """A far end that speaks RFC 2217: once it is asked it sends its answer, and closes where it should."""

    def __init__(self, server: socket.socket, answer: bytes, closes: bool, unasked: bytes = b""):
        self._server, self._answer, self._closes, self._unasked = server, answer, closes, unasked
        self.line = serial.serial_for_url("loop://")
        threading.Thread(target=self._serve, name="remote column", daemon=True).start()

    def write(self, data: bytes) -> None:
        self._link.sendall(data)

    def _serve(self) -> None:
        self._link, _ = self._server.accept()
        with self._link, suppress(ConnectionError):
            protocol = serial.rfc2217.PortManager(self.line, self)
            self._link.sendall(self._unasked)
            while got := self._link.recv(1024):
                if b"".join(protocol.filter(got)):
                    self._link.sendall(self._answer.replace(b"\xff", b"\xff\xff"))
                    if self._closes:
                        return


def connected() -> list[str]:
    """Threads that belong to a connection, of either end."""
    names = (thread.name for thread in threading.enumerate())
    return [name for name in names if name.startswith(("pump", "pySerial", "remote column"))]


def files_at_rest() -> int:
    """Open descriptors, once no thread of a connection is left."""
    assert until(lambda: not connected()), connected()
    return open_files()


@pyserial_names_its_thread_in_an_old_way
def test_a_remote_line_is_set_and_its_bytes_arrive_unaltered(listener):
    column = RemoteColumn(listener, bytes(range(256)), closes=False)
    device = url(listener, "rfc2217")
    port = open_port("bore-column", LineSettings(device=device, baud=4800, bits=7, parity="E", dtr=False))
    assert (column.line.baudrate, column.line.bytesize, column.line.parity) == (4800, 7, "E")
    assert column.line.dtr is False
    port.write(b"?\xff")
    assert read_bytes(port, 256) == bytes(range(256))
    with pytest.raises(BlockingIOError):
        os.read(port.fd, 100)
    port.close()


@pyserial_names_its_thread_in_an_old_way
def test_bytes_sent_just_before_a_remote_line_ends_are_not_lost(listener):
    answer = b"".join(b"+%07.3f mm\r\n" % (n / 1000) for n in range(20_000))      # more than a pipe holds
    RemoteColumn(listener, answer, closes=True)
    port = open_port("bore-column", LineSettings(device=url(listener, "rfc2217")))
    port.write(b"?")
    assert read_bytes(port, len(answer) + 1, within_s=20) == answer
    assert os.read(port.fd, 100) == b""
    assert "closed the connection" in port.explain(None)
    port.close()


@pytest.mark.punctual
@pyserial_names_its_thread_in_an_old_way
def test_closing_a_remote_line_that_nobody_reads_ends_its_threads_within_a_second(listener):
    assert files_at_rest()
    RemoteColumn(listener, b"+12.018 mm\r\n" * 400_000, closes=False)
    port = open_port("bore-column", LineSettings(device=url(listener, "rfc2217")))
    try:
        port.write(b"?")
        assert until(port._line._bytes.full, within_s=20)     # the queue has its bound: pump and client wait for room
    finally:
        began = time.monotonic()
        port.close()
    assert time.monotonic() - began < 0.1
    assert until(lambda: not connected())
    assert time.monotonic() - began < 1.0


@pyserial_names_its_thread_in_an_old_way
def test_an_answer_to_what_was_not_asked_loses_no_remote_line(listener):
    speed = b"\xff\xfa\x2c\x65" + (9600).to_bytes(4, "big") + b"\xff\xf0"       # another user of the line has set it
    RemoteColumn(listener, b"+12.018 mm\r\n", closes=False, unasked=speed)
    port = open_port("bore-column", LineSettings(device=url(listener, "rfc2217")))
    port.write(b"?")
    assert read_bytes(port, 12) == b"+12.018 mm\r\n"
    port.close()


@pyserial_names_its_thread_in_an_old_way
def test_fifty_remote_lines_leave_no_thread_and_no_descriptor(listener):
    before = files_at_rest()

    def ten() -> None:
        with socket.create_server(("127.0.0.1", 0)) as server:
            for _ in range(10):
                RemoteColumn(server, b"", closes=False)
                open_port("bore-column", LineSettings(device=url(server, "rfc2217"))).close()

    five = [threading.Thread(target=ten) for _ in range(5)]
    for one in five:
        one.start()
    for one in five:
        one.join()
    assert files_at_rest() == before


@pyserial_names_its_thread_in_an_old_way
def test_a_raw_line_is_not_mistaken_for_rfc_2217(listener):
    before = files_at_rest()
    cause = cause_of(url(listener, "rfc2217") + "?timeout=0.2")
    assert "not as RFC 2217" in cause and "socket://" in cause
    assert files_at_rest() == before


def test_an_unknown_option_of_rfc_2217_is_said_to_be_unknown(listener):
    assert "is not known" in cause_of(url(listener, "rfc2217") + "?tiemout=2")


# --- the devices of a machine


def adapter(root: Path, tty: str, usb: str, *, serial: str = "", by_id: str = "", by_path: str = "") -> None:
    """One invented USB adapter in a tree like the system's."""
    device = root / "sys/devices/pci0/usb1" / usb
    inside = device / f"{usb}:1.0" / tty
    inside.mkdir(parents=True)
    (root / "sys/bus/drivers/invented_sio").mkdir(parents=True, exist_ok=True)
    (inside / "driver").symlink_to(root / "sys/bus/drivers/invented_sio")
    texts = {"idVendor": "f0f0", "idProduct": "0001", "product": "Line Adapter", "manufacturer": "Invented", "serial": serial}
    for name, text in texts.items():
        if text:
            (device / name).write_text(text + "\n")
    (device / f"{usb}:1.0" / "bInterfaceNumber").write_text("00\n")
    (root / "sys/class/tty" / tty).mkdir(parents=True)
    (root / "sys/class/tty" / tty / "device").symlink_to(inside)
    (root / "dev").mkdir(exist_ok=True)
    (root / "dev" / tty).touch()
    for kind, name in (("by-id", by_id), ("by-path", by_path)):
        if name:
            (root / "dev/serial" / kind).mkdir(parents=True, exist_ok=True)
            (root / "dev/serial" / kind / name).symlink_to(f"../../{tty}")


def test_an_adapter_with_a_serial_number_is_named_by_it(tmp_path):
    adapter(tmp_path, "ttyUSB0", "1-1", serial="K4711", by_id="usb-Invented_K4711-if00", by_path="pci-0-usb-1-1")
    device, = list_devices(tmp_path)
    assert device.device == "/dev/ttyUSB0"
    assert device.stable == device.by_id == "/dev/serial/by-id/usb-Invented_K4711-if00"
    assert device.by_path == "/dev/serial/by-path/pci-0-usb-1-1"
    assert (device.description, device.manufacturer) == ("Line Adapter", "Invented")
    assert (device.serial_number, device.driver) == ("K4711", "invented_sio")


@pytest.mark.parametrize("serial", ["", "0", "00000000"])
def test_an_adapter_without_a_serial_number_is_named_by_its_socket(tmp_path, serial):
    adapter(tmp_path, "ttyUSB0", "1-1", serial=serial, by_id="usb-Invented-if00", by_path="pci-0-usb-1-1")
    assert list_devices(tmp_path)[0].stable == "/dev/serial/by-path/pci-0-usb-1-1"


def test_adapters_that_share_a_serial_number_are_named_by_their_sockets(tmp_path):
    adapter(tmp_path, "ttyUSB0", "1-1", serial="0001", by_path="pci-0-usb-1-1")
    adapter(tmp_path, "ttyUSB1", "1-2", serial="0001", by_id="usb-Invented_0001-if00", by_path="pci-0-usb-1-2")
    adapter(tmp_path, "ttyUSB2", "1-3", serial="0002", by_id="usb-Invented_0002-if00", by_path="pci-0-usb-1-3")
    assert [device.stable for device in list_devices(tmp_path)] == [
        "/dev/serial/by-path/pci-0-usb-1-1", "/dev/serial/by-path/pci-0-usb-1-2",
        "/dev/serial/by-id/usb-Invented_0002-if00"]


def test_an_adapter_without_links_keeps_its_own_name(tmp_path):
    adapter(tmp_path, "ttyACM0", "1-1", serial="K4711")
    assert list_devices(tmp_path)[0].stable == "/dev/ttyACM0"


def test_built_in_ports_without_hardware_are_not_listed(tmp_path):
    for tty, kind in (("ttyS0", "4"), ("ttyS1", "0")):
        place = tmp_path / "sys/class/tty" / tty
        place.mkdir(parents=True)
        (place / "type").write_text(kind + "\n")
        (place / "device").mkdir()
    (tmp_path / "sys/class/tty/tty0").mkdir()
    assert [device.device for device in list_devices(tmp_path)] == ["/dev/ttyS0"]


def test_a_machine_without_serial_devices_has_an_empty_list(tmp_path):
    assert list_devices(tmp_path) == []


def test_texts_of_a_device_can_not_move_the_cursor_of_a_terminal(tmp_path):
    adapter(tmp_path, "ttyUSB0", "1-1", serial="K\x1b[2J1")
    assert list_devices(tmp_path)[0].serial_number == "K?[2J1"
