"""Real folders, the real process that looks at them, killed and held up: each order is applied once, in order."""

import itertools
import os
import random
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from collector.clock import SystemClock
from collector.service.order_runner import Folder
from collector.service.orders import Looked, OrderFolder, OrderRead, OrderRefused, OrderSpec
from tests.faults.faulty_files import DEATHS, ERRORS, Died, FaultyFiles

HOOK = """
import os, signal, sys, time
steps = 0
def watch(event, arguments):
    global steps
    if event in ("open", "os.rename", "os.remove", "os.mkdir", "os.scandir") and str(arguments[0]).startswith(FOLDER):
        steps += 1
        if steps == AT:
            ACT
sys.addaudithook(watch)
"""
"""Run in the child before anything else; told of each access to the folder before it is made."""

CRASHING_DAEMON = """
import sys, time
from collector.clock import SystemClock
from collector.service.orders import OrderFolder, OrderSpec
folder = OrderFolder(OrderSpec("mes", sys.argv[1], ("lot",), (), ()), print, SystemClock())
print(folder._child.pid, flush=True)
time.sleep(60)
"""


class QuickClock:
    """Steady time runs twenty times as fast, and can be put forward: waits are over soon."""

    ahead_s = 0

    def steady_ns(self) -> int:
        return time.monotonic_ns() * 20 + self.ahead_s * 1_000_000_000

    def wall_ns(self) -> int:
        return time.time_ns()


class Desk:
    """A worker: applies what it does not know yet, keeps the marks of what it has applied, as a journal does."""

    def __init__(self, folder: Path, clock=None):
        self.folder, self.clock = folder, clock or SystemClock()
        self.applied: list[str] = []
        self.refused: list[OrderRefused] = []
        self.heard: list[str] = []
        self.marks: set[str] = set()
        self.is_awake = True
        self.orders: OrderFolder | None = None

    def start(self) -> OrderFolder:
        spec = OrderSpec("mes", str(self.folder), ("part", "lot"), ("pump-housing-12",), ())
        self.orders = OrderFolder(spec, self.take, self.clock)
        return self.orders

    def take(self, said: OrderRead | OrderRefused) -> None:
        if isinstance(said, OrderRefused):
            self.refused.append(said)
            return
        self.heard.append(said.mark)
        if said.mark not in self.marks:
            self.marks.add(said.mark)
            self.applied.append(said.fields["lot"])
        if self.is_awake:
            wait_until(lambda: self.orders)
            self.orders.in_force(said.mark)

    def drop(self, name: str, text: str) -> None:
        """Written elsewhere first, then there, whole."""
        (self.folder / f".{name}.next").write_text(text)
        os.replace(self.folder / f".{name}.next", self.folder / name)

    def names(self, below: str = "") -> list[str]:
        folder = self.folder / below
        return sorted(path.name for path in folder.iterdir() if path.is_file()) if folder.is_dir() else []

    def kill(self) -> None:
        self.orders._child.kill()
        self.orders._child.wait()

    def end(self) -> None:
        if self.orders:
            self.orders.let_go()
            assert self.orders.end(time.monotonic_ns() + 5_000_000_000)


def wait_until(look, seconds: float = 30.0) -> object:
    end = time.monotonic() + seconds
    while not (found := look()):
        assert time.monotonic() < end
        time.sleep(0.01)
    return found


@pytest.fixture
def desk(tmp_path):
    (tmp_path / "orders").mkdir()
    made = Desk(tmp_path / "orders")
    yield made
    made.end()


@pytest.fixture
def hooked(tmp_path, monkeypatch):
    """Hang or kill each child that is started from now on, before its n-th access to the folder."""
    def hook(folder: Path, at: int, act: str) -> None:
        (tmp_path / "hook").mkdir(exist_ok=True)
        text = HOOK.replace("FOLDER", repr(str(folder))).replace("AT", str(at)).replace("ACT", act)
        (tmp_path / "hook" / "sitecustomize.py").write_text(text)
        monkeypatch.setenv("PYTHONPATH", str(tmp_path / "hook"))
        monkeypatch.setenv("PYTHONDONTWRITEBYTECODE", "1")
    hook.off = lambda: monkeypatch.delenv("PYTHONPATH")
    return hook


# --- the work


def test_a_hundred_orders_are_applied_in_order_of_their_names(desk):
    numbers = [f"{number:03}" for number in range(100)]
    for number in random.Random(7).sample(numbers, 100):
        desk.drop(f"{number}.json", f'{{"lot": "{number}"}}')
    desk.start()
    wait_until(lambda: len(desk.names("taken")) == 100)
    assert desk.applied == numbers and desk.names() == []
    assert desk.orders.error == ""


@pytest.mark.punctual
def test_an_order_is_read_once_it_is_written_to_its_end(desk):
    with open(desk.folder / "a.json", "w") as file:
        file.write('{"lot": "7')
        file.flush()
        desk.start()
        wait_until(lambda: desk.orders._heard_ns > desk.orders._started_ns)       # it has looked
        assert desk.heard == []
        file.write('7"}')
    wait_until(lambda: desk.names("taken") == ["a.json"])
    assert desk.applied == ["77"] and desk.refused == []


def test_bad_orders_are_refused_and_the_others_go_on(desk):
    desk.drop("a.json", '{"lot": 7}')
    desk.drop("b.json", '{"lot": "7"')
    desk.drop("c.json", '{"lot": "8"}')
    desk.start()
    wait_until(lambda: desk.names("taken") == ["c.json"])
    assert [one.name for one in desk.refused] == ["a.json", "b.json"] and desk.applied == ["8"]
    assert desk.names("refused") == ["a.json", "a.json.reason.txt", "b.json", "b.json.reason.txt"]
    for one in desk.refused:
        assert (desk.folder / "refused" / f"{one.name}.reason.txt").read_text() == f"{one.why}\n"


def test_an_order_never_replaces_one_in_taken(desk):
    desk.start()
    for number in range(3):
        desk.drop("a.json", f'{{"lot": "{number}"}}')
        wait_until(lambda: len(desk.names("taken")) == number + 1)
    assert desk.names("taken") == ["a-2.json", "a-3.json", "a.json"]
    assert (desk.folder / "taken" / "a.json").read_text() == '{"lot": "0"}'
    assert desk.applied == ["0", "1", "2"]


# --- killed


def test_an_order_that_was_committed_but_not_moved_is_not_applied_again(desk):
    desk.clock, desk.is_awake = QuickClock(), False
    desk.drop("a.json", '{"lot": "7"}')
    desk.start()
    wait_until(lambda: desk.heard)
    desk.kill()
    desk.is_awake = True
    wait_until(lambda: desk.orders.look() or desk.names("taken") == ["a.json"])
    assert desk.heard[0] == desk.heard[1] and desk.applied == ["7"]


def test_a_child_killed_before_any_access_to_the_folder_leaves_each_order_applied_once(tmp_path, hooked):
    for n in itertools.count(1):
        desk = Desk(tmp_path / str(n), QuickClock())
        desk.folder.mkdir()
        desk.drop("a.json", '{"lot": "1"}')
        desk.drop("b.json", '{"lot": 2}')
        hooked(desk.folder, n, "os.kill(os.getpid(), signal.SIGKILL)")
        orders = desk.start()
        wait_until(lambda: orders._child.poll() is not None or len(desk.names("refused")) == 2 and not desk.names())
        was_killed = len(desk.names()) > 0
        hooked.off()
        wait_until(lambda: orders.look() or len(desk.names("taken")) + len(desk.names("refused")) == 3)
        desk.end()
        assert (n, desk.applied, desk.names()) == (n, ["1"], [])
        assert (desk.names("taken"), desk.names("refused")) == (["a.json"], ["b.json", "b.json.reason.txt"])
        if not was_killed:
            assert n > 10
            return


def test_a_child_killed_at_any_moment_leaves_each_order_applied_once(tmp_path):
    dice, desk = random.Random(8), Desk(tmp_path, QuickClock())
    numbers = [f"{number:03}" for number in range(150)]
    for number in numbers:
        desk.drop(f"{number}.json", f'{{"lot": "{number}"}}')
    orders = desk.start()
    for _ in range(5):
        before = len(desk.heard)
        wait_until(lambda: orders.look() or orders._child and (len(desk.heard) > before + dice.randrange(10) or not desk.names()))
        time_of_kill = time.monotonic() + dice.random() * 0.005
        wait_until(lambda: time.monotonic() > time_of_kill)
        desk.kill()
    wait_until(lambda: orders.look() or len(desk.names("taken")) == 150)
    desk.end()
    assert desk.applied == numbers and desk.names() == []
    assert orders.starts > 2


class Replay:
    """The folder in this process, over files that fail; a worker's marks outlive it."""

    def __init__(self, folder: Path):
        self.folder, self.marks, self.applied = folder, [], []
        self.refused, self.errors = [], []

    def run(self, files: FaultyFiles, looks: int = 12) -> None:
        told: list[str] = []

        def say(said) -> None:
            if isinstance(said, Looked):
                self.errors.append(said.error)
            elif isinstance(said, OrderRead):
                if said.mark not in self.marks:
                    self.marks.append(said.mark)
                    self.applied.append(said.fields["lot"])
                told.append(said.mark)
            else:
                self.refused.append(said.name)

        looked = Folder(OrderSpec("mes", str(self.folder), ("lot",), (), ()), say, files, SystemClock())
        try:
            for _ in range(looks):
                looked.look()
                while told:
                    looked.in_force(told.pop())
        except Died:
            pass


@pytest.mark.parametrize("fault", [*ERRORS, *DEATHS])
def test_whatever_step_fails_each_order_is_applied_once_and_lies_in_its_place(tmp_path, fault):
    for n in itertools.count(1):
        replay = Replay(tmp_path / str(n))
        replay.folder.mkdir()
        for name, text in (("a.json", '{"lot": "1"}'), ("b.json", '{"lot": 2}'), ("c.json", '{"lot": "3"}')):
            (replay.folder / name).write_text(text)
        files = FaultyFiles(n, fault)
        replay.run(files)
        was_told = any(replay.errors)
        replay.run(FaultyFiles(before=files))
        found = sorted(str(path.relative_to(replay.folder)) for path in replay.folder.rglob("*") if path.is_file())
        assert (n, replay.applied) == (n, ["1", "3"])
        assert found == ["refused/b.json", "refused/b.json.reason.txt", "taken/a.json", "taken/c.json"]
        assert was_told or not files.hit or fault not in ("error", "half-error")
        assert replay.errors[-1] == "" and (replay.refused == ["b.json"] or fault in DEATHS)
        if not files.hit:
            assert n > 8
            return


# --- a folder that is away, or not ours


def test_a_folder_that_is_not_there_is_told_and_looked_at_again(tmp_path):
    desk = Desk(tmp_path / "share")
    orders = desk.start()
    wait_until(lambda: orders.error)
    assert orders.error == f"the folder {desk.folder} can't be read; is its share away? (No such file or directory)"
    desk.folder.mkdir()
    desk.drop("a.json", '{"lot": "7"}')
    wait_until(lambda: desk.names("taken") == ["a.json"])
    wait_until(lambda: orders.error == "")
    assert orders.starts == 1
    desk.end()


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_an_order_that_may_not_be_moved_is_told_and_holds_up_those_after_it(desk):
    (desk.folder / "taken").mkdir(mode=0o500)
    stays_until_it_can_be_moved(desk, "Permission denied", lambda: (desk.folder / "taken").chmod(0o700))


def test_an_order_that_cant_be_moved_is_told_and_holds_up_those_after_it(desk):
    (desk.folder / "taken").touch()
    stays_until_it_can_be_moved(desk, "Not a directory", (desk.folder / "taken").unlink)


def stays_until_it_can_be_moved(desk, cause, make_well):
    desk.drop("a.json", '{"lot": "7"}')
    desk.drop("b.json", '{"lot": "8"}')
    orders = desk.start()
    wait_until(lambda: orders.error)
    assert orders.error == f"the order a.json can't be moved to {desk.folder}/taken; the orders after it wait ({cause})"
    assert desk.applied == ["7"]
    make_well()
    wait_until(lambda: desk.names("taken") == ["a.json", "b.json"])
    wait_until(lambda: orders.error == "")
    assert desk.applied == ["7", "8"]


# --- a child that hangs, is told to end, dies


@pytest.mark.punctual
def test_a_child_that_stands_still_is_told_and_never_waited_for(desk):
    desk.clock = QuickClock()
    orders = desk.start()
    wait_until(lambda: orders._heard_ns > orders._started_ns)
    orders._child.send_signal(signal.SIGSTOP)
    wait_until(lambda: "has not answered for" in orders.error)
    telling = threading.Thread(target=lambda: [orders.in_force("a.json 1 2 3") for _ in range(20_000)], daemon=True)
    telling.start()                                           # more than the pipe holds
    telling.join(5.0)
    if is_blocked := telling.is_alive():
        desk.kill()
    assert not is_blocked
    orders.look()
    orders.let_go()
    deadline_ns = time.monotonic_ns() + 1_000_000_000
    assert orders.end(deadline_ns)
    assert time.monotonic_ns() < deadline_ns + 100_000_000
    orders.in_force("a.json 1 2 3")                           # and afterwards it is nothing


def test_a_child_that_hangs_in_the_folder_ends_by_itself_once_the_daemon_is_gone(desk, hooked):
    hooked(desk.folder, 1, "time.sleep(60)")
    desk.clock = QuickClock()
    orders = desk.start()
    wait_until(lambda: "has not answered for" in orders.error)
    orders.look()
    assert orders.starts == 1
    orders.let_go()
    wait_until(lambda: orders._child.poll() == 0)


def test_a_child_ends_when_its_daemon_is_killed(tmp_path):
    daemon = subprocess.Popen([sys.executable, "-c", CRASHING_DAEMON, str(tmp_path)], stdout=subprocess.PIPE)
    with daemon.stdout:
        pid = int(daemon.stdout.readline())
    os.kill(pid, 0)
    daemon.kill()
    daemon.wait()
    wait_until(lambda: state_of(pid) in "ZX")


def state_of(pid: int) -> str:
    """As in /proc: R runs, S sleeps, Z is dead, X is gone."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except (FileNotFoundError, ProcessLookupError):
        return "X"


def test_signals_for_the_daemon_do_not_end_the_child(desk):
    orders = desk.start()
    wait_until(lambda: orders._heard_ns > orders._started_ns)
    for number in (signal.SIGINT, signal.SIGTERM):
        orders._child.send_signal(number)
    desk.drop("a.json", '{"lot": "7"}')
    wait_until(lambda: desk.names("taken") == ["a.json"])
    assert orders.starts == 1 and orders._child.poll() is None


def test_what_is_in_force_is_moved_before_the_child_ends(desk):
    desk.is_awake = False
    desk.drop("a.json", '{"lot": "7"}')
    orders = desk.start()
    wait_until(lambda: desk.heard)
    orders.in_force(desk.heard[0])
    orders.let_go()
    assert orders.end(time.monotonic_ns() + 1_900_000_000) and orders._child.returncode == 0
    assert desk.names("taken") == ["a.json"]


class HeldClock(SystemClock):
    now = 1_000_000_000

    def steady_ns(self) -> int:
        return self.now


def test_a_child_that_keeps_dying_is_started_after_growing_waits(tmp_path, hooked):
    hooked(tmp_path, 1, "(os.write(1, b'{'), os._exit(3))")    # in the middle of a word
    desk = Desk(tmp_path, HeldClock())
    orders, waits_s = desk.start(), []
    for _ in range(7):
        orders._child.wait()
        orders.look()
        assert orders.error == f"the process that looks at {tmp_path} has ended with code 3"
        starts, began = orders.starts, desk.clock.now
        while orders.starts == starts:
            desk.clock.now += 500_000_000
            orders.look()
        waits_s.append((desk.clock.now - began) / 1e9)
    assert waits_s == [0.5, 1.0, 2.0, 4.0, 8.0, 10.0, 10.0]
    orders._child.wait()
    desk.clock.now += 60_000_000_000                          # that one was well
    orders.look()
    desk.clock.now += 500_000_000
    orders.look()
    assert orders.starts == 9
    desk.end()


def test_what_a_dead_child_had_still_said_does_not_hide_that_it_is_dead(tmp_path):
    desk, may_go_on = Desk(tmp_path, HeldClock()), threading.Event()
    desk.drop("a.json", '{"lot": "7"}')
    desk.take = lambda said: (desk.heard.append(said.mark), may_go_on.wait(10))
    orders = desk.start()
    wait_until(lambda: desk.heard)
    hearing, = (thread for thread in threading.enumerate() if thread.name == "orders-mes")
    wait_until(lambda: state_of(orders._child.pid) == "S")    # it has said that it looked
    desk.kill()
    orders.look()
    may_go_on.set()
    hearing.join(10)
    assert orders.error == f"the process that looks at {tmp_path} has ended with code -9"
