"""A Debian of its own with a real systemd, in a container, and the serial lines that lead into it.

Knows: how a root is made (mmdebstrap), booted (systemd-nspawn), entered, powered off, and cut off; pseudo-terminals.
Must not know: what is tried in it.

Real in there: notify, watchdog, restart, reload, descriptor store, state folders, the sandbox of files and system
calls, the log.  Not real: DevicePolicy=, MemoryMax= (not enforced), the clock (the host's), power (what the kernel
has not written yet survives a cut), serial hardware (a pseudo-terminal has neither parity nor pace, and stays exclusive
while its far end lives: `Line.forget` does what a real line does at its last close).
"""

import fcntl
import os
import re
import select
import shutil
import signal
import subprocess
import sys
import termios
import time
import tty
from collections.abc import Callable
from pathlib import Path

TOP = Path(__file__).parent.parent.parent
PYTHONS = {"bookworm": "311", "trixie": "313"}
PACKAGES = "systemd,systemd-sysv,dbus,udev,procps,python3,python3-venv"
DIALOUT = 20                                   # Debian's
_CLEAN = {"PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "LANG": "C.UTF-8"}


def wait_until(look: Callable[[], object], what: Callable[[], str] | str, seconds: float = 30.0) -> object:
    """Poll until `look` gives something true; AssertionError after the deadline, with what is so then."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if found := look():
            return found
        time.sleep(0.05)
    raise AssertionError(f"not within {seconds:g} s: {what if isinstance(what, str) else what()}")


class Line:
    """A line into the container.  Nobody holds its near end but the service."""

    def __init__(self) -> None:
        self.master, slave = os.openpty()
        tty.setraw(slave)
        self.path = os.ttyname(slave)
        os.chown(self.path, 0, DIALOUT)
        os.chmod(self.path, 0o660)
        os.close(slave)
        os.set_blocking(self.master, False)
        self._look = select.poll()
        self._look.register(self.master, select.POLLHUP)         # nobody has it open

    def send(self, data: bytes) -> bool:
        """False: nobody has the line open, or it has no room; as on a real one, what is sent then is gone."""
        if self._look.poll(0):
            return False
        try:
            return os.write(self.master, data) == len(data)
        except BlockingIOError:
            return False

    def forget(self) -> None:
        """Do what a real line does at its last close: what waits in it is gone, and it is nobody's own any more."""
        slave = os.open(self.path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        fcntl.ioctl(slave, termios.TIOCNXCL)
        termios.tcflush(slave, termios.TCIFLUSH)
        os.close(slave)


class Machine:
    """The container.  `place`: its folder; `root`: its files, which survive a boot."""

    def __init__(self, distribution: str, roots: Path, place: Path):
        self.distribution, self.place, self.root, self.share = distribution, place, place / "root", place / "share"
        self._base, self._name = roots / distribution, f"collector-boot-{distribution}-{os.getpid()}"
        self._nspawn: subprocess.Popen | None = None
        self._leader = 0
        self.lines = {"bore": Line(), "seal": Line()}

    def make(self) -> None:
        """Its files, the checkout in /srv/checkout, what is to be installed in /srv/wheels; nothing is run yet."""
        if not self._base.is_dir():
            beside = self._base.with_suffix(".making")
            _run("mmdebstrap", "--quiet", "--variant=minbase", f"--include={PACKAGES}", self.distribution, str(beside))
            beside.rename(self._base)
        for folder in ("above", "work", "root", "share/inbox", "share/full"):
            (self.place / folder).mkdir(parents=True)
        _run("mount", "-t", "overlay", "overlay", "-o",
             f"lowerdir={self._base},upperdir={self.place / 'above'},workdir={self.place / 'work'}", str(self.root))
        for part in ("collector", "config", "systemd", "tests/faults", "pyproject.toml", "README.md"):
            copy = shutil.copytree if (TOP / part).is_dir() else shutil.copy2
            (self.root / "srv/checkout/tests").mkdir(parents=True, exist_ok=True)
            copy(TOP / part, self.root / "srv/checkout" / part)
        version = PYTHONS[self.distribution]
        platforms = [f"--platform=manylinux{tag}_x86_64" for tag in ("2014", "_2_17", "_2_28")]
        _run(sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check", "--require-hashes",
             "--only-binary=:all:", "--implementation=cp", f"--python-version={version}", *platforms,
             *(f"--abi={abi}" for abi in (f"cp{version}", "abi3", "none")),
             "-r", str(TOP / "systemd/requirements.lock"), "-d", str(self.root / "srv/wheels"))

    def boot(self) -> None:
        """Boot it, without a network, and wait until it is up."""
        binds = [f"--bind={line.path}:/dev/ttyGAUGE-{name}" for name, line in self.lines.items()]
        with open(self.place / "console", "ab") as console:
            self._nspawn = subprocess.Popen(
                ["systemd-nspawn", "-D", str(self.root), "-M", self._name, "--boot", "--register=no", "--keep-unit",
                 "--private-network", "--console=pipe",
                 "--system-call-filter=adjtimex clock_adjtime",      # as on a machine: to ask the clock, not to set it
                 *binds, f"--bind={self.share}:/srv/mes", f"--bind={self.share}:/srv/beside"],
                stdin=subprocess.DEVNULL, stdout=console, stderr=subprocess.STDOUT)
        wait_until(self._is_up, "the container is up", 60)
        self.run("sh", "-c", "test -e /dev/fuse || mknod /dev/fuse c 10 229")

    def _is_up(self) -> bool:
        """Its init is nspawn's child; before that one, another that only prepares it."""
        found = subprocess.run(["pgrep", "-P", str(self._nspawn.pid)], capture_output=True, text=True).stdout.split()
        self._leader = int(found[0]) if found else 0
        return bool(found) and self.run("systemctl", "is-system-running", check=False) in ("running", "degraded")

    def run(self, *words: str, check: bool = True, seconds: float = 120, **environment: str) -> str:
        """What a command in it says, both ways; AssertionError where it fails."""
        done = subprocess.run(self._enter(words), text=True, timeout=seconds, env=_CLEAN | environment,
                              stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
        assert not check or done.returncode == 0, f"{' '.join(words)}: {done.returncode}: {done.stdout[-2000:]}"
        return done.stdout.strip()

    def serve(self, *words: str) -> subprocess.Popen:
        """A command in it that goes on; its first line is awaited."""
        served = subprocess.Popen(self._enter(words), stdout=subprocess.PIPE, text=True, env=_CLEAN)
        served.stdout.readline()
        return served

    def _enter(self, words: tuple[str, ...]) -> list[str]:
        return ["nsenter", "-t", str(self._leader), "-a", *words]

    def inside(self, path: str) -> Path:
        """A file of the running machine, with all that is mounted in it."""
        return Path(f"/proc/{self._leader}/root{path}")

    def host_pid(self, pid: int) -> int:
        """The number that this process of the container has outside."""
        space = os.stat(f"/proc/{self._leader}/ns/pid").st_ino
        for process in Path("/proc").glob("[0-9]*"):
            try:
                numbers = re.search(r"^NSpid:(.*)", (process / "status").read_text(), re.MULTILINE)[1].split()
                if numbers[-1] == str(pid) and os.stat(process / "ns/pid").st_ino == space:
                    return int(numbers[0])
            except OSError:                            # it has ended meanwhile
                continue
        raise AssertionError(f"process {pid} is not there")

    def cut(self) -> None:
        """Its init is killed hard, and with it everything: as a cut of the power, but that the page cache survives."""
        os.kill(self._leader, signal.SIGKILL)
        self._nspawn.wait(30)

    def end(self) -> None:
        """Power it off, in order where it listens, and take its mounts away."""
        if self._nspawn and self._nspawn.poll() is None:
            self._is_up()
            os.kill(self._leader, signal.SIGRTMIN + 4)
            try:
                self._nspawn.wait(60)
            except subprocess.TimeoutExpired:
                self.cut()
        subprocess.run(["umount", "-l", str(self.root)], stderr=subprocess.DEVNULL)


def _run(*words: str) -> None:
    done = subprocess.run(words, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, stdin=subprocess.DEVNULL)
    assert done.returncode == 0, f"{' '.join(words)}: {done.stdout[-2000:]}"
