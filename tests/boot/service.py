"""The collector as a service of a machine, and a column that sends numbered readings to it without a pause.

Knows: the unit's name and files, the configuration that is tried, how a reading is counted.
Must not know: what is done to the service.
"""

import json
import threading
import time

from machine import Line, Machine, wait_until

CONFIGURATION = """
site: {site}
state: /var/lib/{state}
journal: {{reserve: 1 MB}}
ports:
  bore-column: {{device: /dev/ttyGAUGE-{line}, format: numbered}}
formats:
  numbered: {{pattern: '^N(?P<serial>\\d+) (?P<value>[+-]\\d+\\.\\d+)$', unit: mm}}     # N000017 +12.0093
parts:
  PH-100:
    pilot-bore: {{channel: bore-column, nominal: 12 mm, limits: {{lower: 0 mm, upper: +0.018 mm}}}}
outputs:
  mes: {{kind: jsonl, folder: /srv/mes/{folder}, publish: growing}}
"""


class Column(threading.Thread):
    """Sends a reading each `pause_s` until `stop`; `sent` is how many, `refused` those that the line did not take."""

    def __init__(self, line: Line, pause_s: float, first: int = 1):
        super().__init__(daemon=True)
        self._line, self._pause_s, self._stopping = line, pause_s, threading.Event()
        self.first, self.sent, self.refused = first, 0, 0
        self.start()

    def run(self) -> None:
        while not self._stopping.wait(self._pause_s):
            number = self.first + self.sent
            if not self._line.send(b"N%06d +12.%04d\r\n" % (number, number % 200)):
                self.refused += 1
            self.sent += 1

    def stop(self) -> set[str]:
        """The numbers that were sent."""
        self._stopping.set()
        self.join()
        return {f"{number:06d}" for number in range(self.first, self.first + self.sent)}


class Service:
    """`collector.service`, or with a name `collector@NAME.service`."""

    def __init__(self, machine: Machine, name: str = ""):
        self.machine = machine
        self.unit = f"collector@{name}.service" if name else "collector.service"
        self.config = f"/etc/collector/{name or 'collector'}.yaml"
        self.state = f"collector-{name}" if name else "collector"
        self.folder, self.line = ("full", "seal") if name else ("inbox", "bore")

    def configure(self, add: str = "") -> None:
        text = CONFIGURATION.format(site=self.state, state=self.state, line=self.line, folder=self.folder)
        self.machine.inside(self.config).write_text(text + add)

    def drop_in(self, name: str, text: str = "") -> None:
        """Put a drop-in in place, or take it away."""
        place = self.machine.inside(f"/etc/systemd/system/{self.unit}.d/{name}.conf")
        place.parent.mkdir(parents=True, exist_ok=True)
        if text:
            place.write_text(text)
        else:
            place.unlink(missing_ok=True)
        self.machine.run("systemctl", "daemon-reload")

    def told(self, key: str) -> str:
        return self.machine.run("systemctl", "show", self.unit, "-p", key, "--value")

    def pid(self) -> int:
        return int(self.told("MainPID"))

    def systemctl(self, verb: str) -> float:
        """Seconds that it took."""
        begun = time.monotonic()
        self.machine.run("systemctl", verb, self.unit)
        return time.monotonic() - begun

    def kill(self, signal: str) -> int:
        pid = self.pid()
        self.machine.run("kill", f"-{signal}", str(pid))
        return pid

    def up(self, other_than: int = 0, seconds: float = 30.0) -> float:
        """Wait until it is ready in another process than this, its port open; the seconds that it took."""
        begun = time.monotonic()
        wait_until(lambda: self._is_open() and self.pid() not in (0, other_than) and self._is_active(),
                   lambda: f"{self.unit} is ready: {self.log(8)}", seconds)
        return time.monotonic() - begun

    def _is_active(self) -> bool:
        return self.told("ActiveState") == "active"

    def status(self) -> dict:
        try:
            return json.loads(self.machine.inside(f"/var/lib/{self.state}/status.json").read_bytes())
        except (OSError, ValueError):
            return {}

    def _is_open(self) -> bool:
        said = self.status()
        return said.get("pid") == self.pid() and all(port["state"] == "open" for port in said["ports"].values())

    def log(self, lines: int = 2000) -> str:
        return self.machine.run("journalctl", "-u", self.unit, "-o", "cat", "--no-pager", "-n", str(lines), check=False)

    def asked(self) -> dict:
        """What `collector status` says."""
        words = ("runuser", "-u", "collector", "--", "collector", "status", self.config, "--json")
        return json.loads(self.machine.run(*words, check=False))

    def last_seq(self) -> int:
        """Of the last committed record, asked of the journal itself."""
        return self.asked()["last-seq"]

    def records(self) -> list[dict]:
        """What lies on the share, seen beside it: that never hangs."""
        found = []
        for path in sorted((self.machine.share / self.folder).glob("*.jsonl")):
            found += [json.loads(line) for line in path.read_bytes().rpartition(b"\n")[0].splitlines()]
        return found

    def readings(self) -> list[str]:
        return [one["serial"] for one in self.records() if one["kind"] == "measurement"]

    def all_delivered(self, seconds: float = 30.0) -> None:
        """Wait until the share has every record that the journal has, each once and in order."""
        def whole() -> bool:
            return [one["seq"] for one in self.records()] == list(range(1, self.last_seq() + 1))

        wait_until(whole, lambda: f"every record on the share, once: {self._how_whole()}", seconds)

    def _how_whole(self) -> str:
        seqs = [one["seq"] for one in self.records()]
        return f"{len(seqs)} records, {len(set(seqs))} different, last {seqs[-1:]}, journal {self.last_seq()}"

    def lost(self, sent: set[str], seconds: float = 30.0) -> int:
        """How many of these readings are not on the share once all that the journal has is there; none comes twice."""
        self.all_delivered(seconds)
        found = self.readings()
        assert len(found) == len(set(found)), "a reading came twice"
        return len(sent - set(found))
