"""The reader thread on real pseudo-terminals."""

import fcntl
import os
import resource
import select
import struct
import termios
import threading
import time
from types import SimpleNamespace

import pytest
from collector.clock import SystemClock
from collector.ports import LineSettings, open_port
from collector.config.plan import read_plan
from collector.record import Chunk
from collector.service.daemon import Daemon, gather_s
from collector.service.handover import HandOver, PortClosed, PortOpened, PortQuiet
from collector.service.reader import Reader, Request


class HeldClock:
    """Stands still until a test moves it."""

    def __init__(self) -> None:
        self.now_ns = 5_000_000_000

    def wall_ns(self) -> int:
        return 1_772_000_000_000_000_000 + self.now_ns

    def steady_ns(self) -> int:
        return self.now_ns


class Column:
    """The far end of a pseudo-terminal."""

    def __init__(self) -> None:
        self.master, self._slave = os.openpty()
        self.device = os.ttyname(self._slave)
        os.set_blocking(self.master, False)

    def open(self):
        return open_port("bore-column", LineSettings(device=self.device))

    def send(self, data: bytes) -> None:
        deadline = time.monotonic() + 30
        while data:
            assert time.monotonic() < deadline, "the line takes nothing more"
            try:
                data = data[os.write(self.master, data):]
            except BlockingIOError:
                time.sleep(0.001)

    def asked(self) -> bytes:
        try:
            return os.read(self.master, 1000)
        except BlockingIOError:
            return b""

    def heard(self, within_s: float = 0.05) -> bytes:
        """What the column is asked within this time; what comes later shows in the next call."""
        deadline = time.monotonic() + within_s
        while not (data := self.asked()) and time.monotonic() < deadline:
            time.sleep(0.001)
        return data

    def pull(self) -> None:
        for fd in (self._slave, self.master):
            if fd >= 0:
                os.close(fd)
        self._slave = self.master = -1


class Taken:
    """What has come through the hand-over so far."""

    def __init__(self, handover: HandOver) -> None:
        self._handover, self.items = handover, []

    def until(self, true, within_s: float = 30.0):
        deadline = time.monotonic() + within_s
        while not true(self):
            assert time.monotonic() < deadline, f"waited {within_s} s in vain; there is {self.items[-5:]}"
            self.items += self._handover.take_all(0.01)
        return self

    def bytes(self, port: str = "bore-column") -> bytes:
        return b"".join(item.data for item in self.items if isinstance(item, Chunk) and item.port == port)

    def kinds(self) -> list[str]:
        return [type(item).__name__ for item in self.items]

    def count(self, kind: type) -> int:
        return sum(isinstance(item, kind) for item in self.items)


@pytest.fixture
def column():
    column = Column()
    yield column
    column.pull()


@pytest.fixture
def handover():
    return HandOver()


@pytest.fixture
def taken(handover):
    return Taken(handover)


@pytest.fixture
def reader(handover):
    reader = Reader(handover, SystemClock())
    reader.start()
    yield reader
    reader.stop()
    assert not reader.is_alive()


@pytest.fixture
def new_reader(handover):
    """Makes readers of the machine's own clock; they end with the test, however that does."""
    made = []

    def new(**settings: float) -> Reader:
        made.append(Reader(handover, SystemClock(), **settings))
        return made[-1]

    yield new
    for reader in made:
        reader.stop()


def waiting_bytes(fd: int) -> int:
    return struct.unpack("i", fcntl.ioctl(fd, termios.FIONREAD, b"\0\0\0\0"))[0]


def until(true, within_s: float = 30.0) -> bool:
    deadline = time.monotonic() + within_s
    while not true():
        if time.monotonic() > deadline:
            return False
        time.sleep(0.005)
    return True


def test_what_a_column_sends_comes_behind_the_opening_of_its_port(reader, taken, column):
    reader.adopt("bore-column", column.open())
    column.send(b"+12.018 mm\r\n")
    taken.until(lambda t: t.bytes() == b"+12.018 mm\r\n")
    opened = taken.items[0]
    assert isinstance(opened, PortOpened)
    assert (opened.port, opened.identity, opened.marked) == ("bore-column", column.device, True)


def test_ports_are_kept_apart(reader, taken, column):
    other = Column()
    reader.adopt("bore-column", column.open())
    reader.adopt("face-column", other.open())
    for n in range(100):
        column.send(b"bore %d\r\n" % n)
        other.send(b"face %d\r\n" % n)
    bore, face = (b"".join(b"%s %d\r\n" % (name, n) for n in range(100)) for name in (b"bore", b"face"))
    taken.until(lambda t: (t.bytes("bore-column"), t.bytes("face-column")) == (bore, face))
    other.pull()


def test_chunks_carry_the_times_of_the_clock_handed_in(handover, taken, column):
    clock = HeldClock()
    reader = Reader(handover, clock)
    reader.start()
    reader.adopt("bore-column", column.open())
    column.send(b"A")
    taken.until(lambda t: t.bytes() == b"A")
    assert taken.items[-1] == Chunk("bore-column", b"A", clock.wall_ns(), clock.steady_ns())
    reader.stop()


@pytest.fixture
def gathering(handover):
    """A reader whose pause is so long that nothing else takes as long."""
    reader = Reader(handover, SystemClock(), gather_s=0.4)
    reader.start()
    yield reader
    reader.stop()


def trickle(column, pieces: int, pause_s: float = 0.001) -> bytes:
    for _ in range(pieces):
        column.send(b"7")
        time.sleep(pause_s)
    return b"7" * pieces


def pauses_s(taken) -> list[float]:
    """Between the chunks that have come."""
    stamps = [item.steady_ns / 1e9 for item in taken.items if isinstance(item, Chunk)]
    return [later - sooner for sooner, later in zip(stamps, stamps[1:])]


def test_a_frame_that_comes_in_pieces_is_not_waited_for(gathering, taken, column):
    gathering.adopt("bore-column", column.open())
    for _ in range(3):
        sent = taken.bytes() + trickle(column, 40)
        taken.until(lambda it: it.bytes() == sent)
        time.sleep(0.1)
    assert len(pauses_s(taken)) > 60 and max(pauses_s(taken)) < 0.4


def test_what_busy_lines_bring_is_gathered_until_they_rest(gathering, taken, column):
    gathering.adopt("bore-column", column.open())
    sent = trickle(column, 1000)
    taken.until(lambda it: it.bytes() == sent)
    assert sorted(pauses_s(taken))[-2] >= 0.4 and len(pauses_s(taken)) < 400
    time.sleep(0.5)                                # the pause is over, and so is the hurry
    at_rest = len(pauses_s(taken))
    sent += trickle(column, 40)
    taken.until(lambda it: it.bytes() == sent)
    assert len(pauses_s(taken)) - at_rest > 20 and max(pauses_s(taken)[at_rest + 1:]) < 0.4


def test_many_lines_that_begin_together_are_gathered_after_a_few_rounds(gathering, taken):
    """Each round brings a piece of each: what is made of so many pieces costs more than what is made of whole reads."""
    columns = [Column() for _ in range(20)]
    for number, column in enumerate(columns):
        gathering.adopt(f"column-{number}", column.open())
    for _ in range(100):
        for column in columns:
            column.send(b"7")
        time.sleep(0.001)
    taken.until(lambda it: all(len(it.bytes(f"column-{number}")) == 100 for number in range(20)))
    assert taken.count(Chunk) < 1000


@pytest.mark.parametrize("port, journal, pause_ms", [
    ("", "", 30), ("gap: 20 ms", "", 5), ("gap: 200 ms", "", 30), ("gap: 20 ms", "journal: {gather: 2 ms}", 2),
    ('request: {send: "?", every: 2 s, timeout: 40 ms}', "", 10), ('request: {send: "?", every: 2 s}', "", 30),
    ("gap: 20 ms", "journal: {gather: 0 ms}", 0)])
def test_a_pause_is_short_beside_the_times_that_a_port_counts_by(tmp_path, port, journal, pause_ms):
    (tmp_path / "c.yaml").write_text(
        f"site: s\nports: {{p: {{device: /dev/ttyS9, format: f{', ' * bool(port)}{port}}}}}\n"
        "formats: {f: {pattern: '(?P<value>[0-9]+)', unit: mm}}\noutputs: {o: {kind: csv, folder: /srv/x}}\n" + journal)
    assert gather_s(read_plan(tmp_path / "c.yaml")) == pause_ms / 1000


@pytest.mark.parametrize("gather_ms, sync_ms, pause_ms", [(30, 0, 30), (30, 14.9, 30), (30, 15, 7.5), (30, 400, 7.5), (0, 400, 0),
                                                          (60, 20, 60), (60, 40, 15)])
def test_where_a_sync_takes_long_more_gathers_behind_it_than_in_a_pause(tmp_path, gather_ms, sync_ms, pause_ms):
    (tmp_path / "c.yaml").write_text(
        "site: s\nports: {p: {device: /dev/ttyS9, format: f}}\nformats: {f: {pattern: '(?P<value>[0-9]+)', unit: mm}}\n"
        f"outputs: {{o: {{kind: csv, folder: /srv/x}}}}\njournal: {{gather: {gather_ms} ms}}")
    assert gather_s(read_plan(tmp_path / "c.yaml"), sync_ms / 1000) == pytest.approx(pause_ms / 1000)


def test_at_a_reload_the_pause_is_short_enough_before_a_port_is_opened(tmp_path):
    text = ("site: s\nports: {p: {device: /dev/ttyS9, format: f}}\nformats: {f: {pattern: '(?P<value>[0-9]+)', unit: mm}}\n"
            "outputs: {o: {kind: csv, folder: /srv/x}}\n")
    path, found = tmp_path / "c.yaml", []
    path.write_text(text)
    daemon = Daemon(path, read_plan(path))
    daemon.handover, daemon._outputs = HandOver(), {"o": None}
    daemon.worker, daemon.reader = SimpleNamespace(keeper=SimpleNamespace(sync_s=0.0)), SimpleNamespace(gather_s=0.03)
    daemon.opener = SimpleNamespace(set_ports=lambda ports: found.append(daemon.reader.gather_s))
    path.write_text(text.replace("format: f}", "format: f, gap: 20 ms}"))
    daemon._take_anew()
    assert found == [0.005]


@pytest.fixture
def by_hand(handover, column):
    """A reader whose rounds a test makes itself; its port has been read, and ends frames after 30 ms of quiet."""
    reader = Reader(handover, SystemClock())
    reader.adopt("bore-column", column.open(), quiet_ms=30)
    reader._round()
    column.send(b"12.0")
    reader._round()
    yield reader
    reader.stop()


@pytest.mark.punctual
def test_that_a_line_is_quiet_is_told_once_and_when_it_has_been_so_for_long_enough(by_hand, taken, column):
    began_ns = time.monotonic_ns()
    while time.monotonic_ns() - began_ns < 100_000_000:
        by_hand._round()
        by_hand._order(lambda: None)                              # so that the next round waits for nothing
    taken.until(lambda it: it.count(PortQuiet) == 1)
    quiet, = [item for item in taken.items if isinstance(item, PortQuiet)]
    read, = [item for item in taken.items if isinstance(item, Chunk)]
    assert read.steady_ns + 30_000_000 <= quiet.steady_ns < read.steady_ns + 90_000_000
    assert taken.kinds()[-2:] == ["Chunk", "PortQuiet"]


def test_a_reader_that_was_held_up_takes_no_line_for_quiet(by_hand, taken, column):
    time.sleep(0.1)                                               # held up, while the rest of the frame comes
    port = next(iter(by_hand._open.values())).port
    column.send(b"18")
    assert until(lambda: waiting_bytes(port.fd) == 2)
    by_hand._round()
    real, clock = by_hand._selector.select, SystemClock()
    late = HeldClock()

    def select(wait_s):                                           # held up right behind the look
        found = real(0)
        late.now_ns = clock.steady_ns() + 100_000_000
        return found

    by_hand._selector.select, by_hand._clock = select, late
    late.now_ns = clock.steady_ns()
    by_hand._round()
    by_hand._selector.select, by_hand._clock = real, clock
    taken.until(lambda it: it.bytes() == b"12.018")
    assert taken.count(PortQuiet) == 0
    by_hand._round()
    by_hand._round()
    taken.until(lambda it: it.count(PortQuiet) == 1)


def test_what_waits_while_the_hand_over_is_full_is_no_quiet(handover, column):
    handover._most_bytes = 250                                    # an item and the bytes that came with it, no more
    reader, taken = Reader(handover, SystemClock()), Taken(handover)
    reader.adopt("bore-column", column.open(), quiet_ms=300)
    reader._round()
    taken.until(lambda it: it.count(PortOpened) == 1)
    column.send(b"1" * 60)
    assert until(lambda: reader._round() or handover.full)
    for _ in range(16):
        reader._round()                                           # full: nothing is read for 320 ms
    taken.until(lambda it: it.bytes() == b"1" * 60)
    reader._order(lambda: None)
    reader._round()
    assert not handover.waiting                                   # a column that was held goes on in a moment
    column.send(b"2")
    assert until(lambda: reader._round() or handover.waiting)
    taken.until(lambda it: it.bytes() == b"1" * 60 + b"2")
    assert taken.count(PortQuiet) == 0
    reader.stop()


@pytest.mark.punctual
def test_what_waits_but_is_not_read_is_no_quiet(by_hand, taken, column, monkeypatch):
    time.sleep(0.05)
    column.send(b"18")
    port = next(iter(by_hand._open.values())).port
    assert until(lambda: waiting_bytes(port.fd) == 2)
    full = iter([False, True])                                    # it fills up within the round
    monkeypatch.setattr(HandOver, "full", property(lambda _: next(full, False)))
    by_hand._round()
    by_hand._round()
    taken.until(lambda it: it.bytes() == b"12.018")
    assert taken.count(PortQuiet) == 0


def test_a_line_that_was_quiet_when_it_is_closed_is_told_to_be_so(by_hand, taken):
    time.sleep(0.05)
    by_hand.release("bore-column", "configuration changed")
    by_hand._carry_out_orders()
    assert taken.until(lambda it: it.count(PortClosed) == 1).kinds()[-3:] == ["Chunk", "PortQuiet", "PortClosed"]


@pytest.mark.punctual
def test_no_pause_goes_over_the_time_at_which_quiet_ends_a_frame(new_reader, taken, column):
    other, reader = Column(), new_reader(gather_s=1)
    reader.adopt("bore-column", column.open(), quiet_ms=30)
    reader.adopt("busy-column", open_port("busy-column", LineSettings(device=other.device)))
    reader._round()
    column.send(b"12.018")
    for _ in range(3):
        other.send(b"7")
        reader._reads_without_rest = 1000                        # pauses
        reader._round()
    taken.until(lambda it: it.count(PortQuiet) == 1)
    quiet, = [item for item in taken.items if isinstance(item, PortQuiet)]
    read, = [item for item in taken.items if isinstance(item, Chunk) and item.port == "bore-column"]
    other.pull()
    assert quiet.steady_ns - read.steady_ns < 800_000_000


@pytest.mark.punctual
def test_a_short_pause_goes_on_while_what_was_read_before_is_not_taken(new_reader, taken, column):
    """What a worker that is behind is given then comes in fewer pieces, which costs it less."""
    reader = new_reader(gather_s=0.6)
    reader.pause_s = 0.1
    reader.adopt("bore-column", column.open())
    reader._round()

    def round_s() -> float:
        column.send(b"7")
        reader._reads_without_rest = 1000
        begun = time.monotonic()
        reader._round()
        return time.monotonic() - begun

    round_s()                                                     # behind a rest: it does not pause
    assert round_s() > 0.55
    taking = threading.Thread(target=taken.until, args=(lambda it: it.bytes() == b"777",))
    taking.start()
    took_s = round_s()
    taking.join()
    assert 0.09 < took_s < 0.5


@pytest.mark.punctual
def test_a_port_that_was_closed_is_not_told_to_be_quiet(by_hand, taken):
    by_hand.release("bore-column", "configuration changed")
    by_hand._carry_out_orders()
    time.sleep(0.05)
    by_hand._order(lambda: None)
    by_hand._round()
    taken.until(lambda it: it.count(PortClosed) == 1)
    assert taken.count(PortQuiet) == 0


def test_a_pulled_cable_closes_the_port_and_tells_who_opened_it(reader, taken, column):
    told = []
    reader.adopt("bore-column", column.open(), told.append)
    column.send(b"+12.018 mm\r\n")
    taken.until(lambda t: t.bytes() == b"+12.018 mm\r\n")
    column.pull()
    taken.until(lambda t: t.count(PortClosed) == 1)
    closed = taken.items[-1]
    assert until(lambda: told == [closed])
    assert closed.cause == f"unplugged: {column.device} is gone"
    assert closed.bytes == 12 and closed.open_ns > 0


def test_two_hundred_pulls_merge_no_bytes_and_leak_nothing(reader, taken):
    def one_pull(n: int) -> None:
        column = Column()
        reader.adopt("bore-column", column.open())
        column.send(b"%03d " % n)
        taken.until(lambda t: t.bytes().endswith(b"%03d " % n))
        column.pull()
        taken.until(lambda t: t.count(PortClosed) == n + 1)

    one_pull(0)
    before = len(os.listdir("/proc/self/fd")), threading.active_count()
    for n in range(1, 200):
        one_pull(n)
    assert len(os.listdir("/proc/self/fd")) <= before[0] and threading.active_count() <= before[1]
    assert taken.kinds() == ["PortOpened", "Chunk", "PortClosed"] * 200
    assert [item.data for item in taken.items if isinstance(item, Chunk)] == [b"%03d " % n for n in range(200)]


def test_a_full_hand_over_leaves_the_bytes_in_the_kernel_and_loses_none(column):
    handover = HandOver(most_bytes=1000)
    reader, taken = Reader(handover, SystemClock()), Taken(handover)
    reader.start()
    port = column.open()
    reader.adopt("bore-column", port)
    sent = b"".join(b"%05d\r\n" % n for n in range(300))
    column.send(sent[:1400])
    assert until(lambda: handover.full)
    column.send(sent[1400:])
    assert until(lambda: waiting_bytes(port.fd) == len(sent) - 1400)      # nobody takes, so nobody reads
    used_s, moved = time.process_time(), set()
    assert until(lambda: moved.add(reader.moved_ns) or max(moved) - min(moved) > 300_000_000)
    assert time.process_time() - used_s < 0.15                            # alive, and no busy waiting
    taken.until(lambda t: t.bytes() == sent)
    reader.stop()


def test_stopping_reads_what_still_waits_though_the_hand_over_is_full(column):
    handover = HandOver(most_bytes=300)
    reader, taken = Reader(handover, SystemClock()), Taken(handover)
    reader.start()
    port = column.open()
    reader.adopt("bore-column", port)
    column.send(b"A" * 200)
    assert until(lambda: handover.full)
    column.send(b"B" * 9000)
    assert until(lambda: waiting_bytes(port.fd) > 0)
    reader.stop()
    assert handover.stopped.is_set()
    taken.until(lambda t: t.bytes() == b"A" * 200 + b"B" * 9000)


@pytest.mark.punctual
def test_stopping_ends_within_a_second_while_a_column_sends_without_end(handover, new_reader, column):
    reader = new_reader()
    reader.start()
    reader.adopt("bore-column", column.open())
    ending = threading.Event()

    def send_without_end() -> None:
        while not ending.is_set():
            try:
                os.write(column.master, b"x" * 4096)
            except OSError:
                pass

    sending = threading.Thread(target=send_without_end)
    sending.start()
    try:
        assert handover.take_all(5)
        began = time.monotonic()
        reader.stop()
        assert not reader.is_alive() and time.monotonic() - began < 1.0
    finally:
        ending.set()
        sending.join()


def test_stopping_twice_or_before_starting_does_no_harm(handover):
    Reader(handover, SystemClock()).stop()
    reader = Reader(handover, SystemClock())
    reader.start()
    reader.stop()
    reader.stop()
    reader.ask_again("bore-column")
    assert not reader.is_alive()


def test_a_released_port_gives_its_last_bytes_first(reader, taken, column):
    reader.adopt("bore-column", column.open())
    column.send(b"last")
    reader.release("bore-column", "configuration changed")
    taken.until(lambda t: t.count(PortClosed) == 1)
    assert taken.bytes() == b"last"
    assert taken.items[-1].cause == "configuration changed"
    column.open().close()                             # it was given back


@pytest.mark.punctual
def test_the_heartbeat_moves_on_a_quiet_line(reader, column):
    reader.adopt("bore-column", column.open())
    seen = reader.moved_ns
    assert until(lambda: reader.moved_ns > seen)
    seen = reader.moved_ns
    assert until(lambda: reader.moved_ns > seen, within_s=3)


def test_descriptors_beyond_a_thousand_are_read_as_well(handover, taken, column):
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if hard != resource.RLIM_INFINITY and hard < 1200:
        pytest.skip(f"only {hard} descriptors are allowed here")
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, 1200), hard))
    taking_up_room = [os.dup(column.master) for _ in range(1100)]
    reader = Reader(handover, SystemClock())
    try:
        reader.start()
        port = column.open()
        assert port.fd >= 1024
        reader.adopt("bore-column", port)
        column.send(b"high")
        taken.until(lambda t: t.bytes() == b"high")
    finally:
        reader.stop()
        for fd in taking_up_room:
            os.close(fd)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


# --- columns that are asked


@pytest.fixture
def asking(handover, column):
    """(clock, reader, asked_at): a port that is asked every 50 ms of a clock which stands still."""
    clock = HeldClock()
    reader = Reader(handover, clock)
    reader.start()
    reader.ask({"bore-column": Request(b"?\r", 50), "absent-column": Request(b"?\r", 10)})
    reader.adopt("bore-column", column.open())
    opened_ns = clock.now_ns
    assert until(lambda: column.asked() == b"?\r")

    def asked_at(ms: int) -> bytes:
        """What the column is asked when the clock goes to this time since the opening."""
        for now_ns in (opened_ns + ms * 1_000_000, opened_ns + ms * 1_000_000 + 1):
            clock.now_ns = now_ns
            reader.ask_again("no-column")             # wakes it
            assert until(lambda: reader.moved_ns == clock.now_ns)
        return column.heard()                         # a round has begun after one at this time: that one is over

    yield reader, asked_at
    reader.stop()


def test_a_column_is_asked_at_multiples_of_its_time_without_drift(asking):
    _, asked_at = asking
    assert asked_at(49) == b""
    assert asked_at(53) == b"?\r"
    assert asked_at(99) == b""
    assert asked_at(100) == b"?\r"                    # not 103: lateness does not add up


def test_questions_that_were_missed_are_not_made_up_for(asking):
    _, asked_at = asking
    assert asked_at(260) == b"?\r"
    assert asked_at(299) == b""
    assert asked_at(300) == b"?\r"


def test_another_question_takes_effect_from_its_next_time_on(asking):
    reader, asked_at = asking
    assert asked_at(50) == b"?\r"
    reader.ask({"bore-column": Request(b"M\r", 1000)})
    assert asked_at(999) == b""
    assert asked_at(1000) == b"M\r"
    reader.ask({})
    assert asked_at(5000) == b""


def test_a_column_that_takes_nothing_is_not_waited_for(reader, taken, column):
    reader.ask({"bore-column": Request(b"?" * 1000, 3_600_000)})
    reader.adopt("bore-column", column.open())
    for _ in range(100):
        reader.ask_again("bore-column")               # nobody reads at the far end
    column.send(b"still read")
    taken.until(lambda t: t.bytes() == b"still read")


def test_what_one_port_brought_goes_before_what_befell_another_after_it(handover, reader, taken, column):
    other = Column()
    port = column.open()
    reader.adopt("bore-column", port)
    reader.adopt("face-column", other.open())
    taken.until(lambda t: t.count(PortOpened) == 2)
    handover.put(Chunk("elsewhere", bytes(20_000_000), 0, 0))        # full: nothing is read until it is taken
    reader.ask({})                                                   # wakes it
    assert until(lambda: reader._holding)                            # so that it finds both in one round
    column.send(b"+12.018 mm\r\n")
    assert select.select([port.fd], [], [], 5)[0]                    # there before the other hangs up
    other.pull()
    taken.until(lambda t: t.count(PortClosed) == 1 and t.bytes() == b"+12.018 mm\r\n")
    told = [type(item) for item in taken.items if isinstance(item, PortClosed) or getattr(item, "port", "") == "bore-column"]
    assert told[-2:] == [Chunk, PortClosed]
