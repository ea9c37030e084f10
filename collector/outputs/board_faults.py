"""What needs a person, as a board says it: what is wrong, and what to do about it, in plain words.

Knows: what the daemon and its outputs say of themselves, as it lies in the state folder.
Must not know: how it is shown, the journal's records.
"""

from pathlib import Path
from typing import Any

from msgspec import Struct

from collector.clock import Clock
from collector.files import read_object
from collector.outputs.board_words import after_master, clock_text

_STALE_NS = 10_000_000_000


class Fault(Struct, frozen=True):
    """`what` is wrong, what to `do`."""

    what: str
    do: str


class Told(Struct, frozen=True):
    """What lies in the state folder now: the daemon's word, each output's, files of the journal that were set aside."""

    daemon: dict[str, Any]
    outputs: dict[str, dict[str, Any]]
    aside: tuple[str, ...]
    is_running: bool


def told(state: Path, clock: Clock) -> Told:
    """Read it; what is not there, or half there, says nothing."""
    daemon = read_object(state / "status.json")
    since = daemon.get("since-boot-ns")
    is_running = (isinstance(since, int) and daemon.get("boot") == clock.boot()
                  and clock.since_boot_ns() - since < _STALE_NS
                  and not daemon.get("stopping"))                   # its last word
    outputs = {path.name.removesuffix(".status.json"): read_object(path)
               for path in sorted((state / "outputs").glob("*.status.json"))}
    aside = sorted(path.name for path in state.glob("journal.sqlite.failed-*")
                   if not path.name.endswith(("-wal", "-shm", "-journal")))
    return Told(daemon, outputs, tuple(aside), is_running)


def faults(said: Told) -> list[Fault]:
    """Everything that needs a person, the worst first."""
    daemon = said.daemon
    found = []
    if not said.is_running:
        found.append(Fault(f"The collector gives no sign of life{_since(daemon.get('at', ''))}.",
                           "Nothing is recorded now: stop measuring, have it started."))
    journal = daemon.get("journal", {})
    if journal.get("full"):
        found.append(Fault("The disk of this PC is full: nothing more is recorded.", "Make room on it; it goes on."))
    elif journal.get("reserve") == "given up":
        found.append(Fault("The disk of this PC is all but full.", "Make room on it today."))
    if journal.get("bytes", 0) > journal.get("most", 1 << 62):
        found.append(Fault("The journal has grown larger than it should.", "See which output leaves its records."))
    found += [one for name, port in daemon.get("ports", {}).items() for one in _of_port(name, port, said.is_running)]
    found += [_of_master(one) for one in daemon.get("masters", [])
              if one.get("in-force") and one.get("state") != "good"]
    found += [one for name, output in said.outputs.items() for one in _of_output(name, output)]
    found += [Fault(f"Orders {name}: {error}", "See its folder, and what the order system says.")
              for name, error in daemon.get("orders", {}).items() if error]
    found += [Fault(f"A journal file failed and lies aside as {name}.", "See the disk; `collector salvage` reads it.")
              for name in said.aside]
    if daemon.get("reload-refused"):
        found.append(Fault(f"The changed configuration was refused: {daemon['reload-refused']}",
                           "Mend it; `collector check` says where. The old one is in force."))
    return found


def _of_port(name: str, port: dict[str, Any], is_running: bool) -> list[Fault]:
    if port.get("state") != "open" and is_running:
        return [Fault(f"Line {name} is not connected: {port.get('cause') or 'not tried yet'}",
                      "Plug its adapter in again; it goes on by itself. If not: `collector ports`.")]
    if port.get("silent"):
        return [Fault(f"Line {name} is silent{_since(port.get('last-frame') or port.get('since', ''))}.",
                      "Is the column on? Is its cable in at both ends? Press its print key.")]
    return []


def _of_master(one: dict[str, Any]) -> Fault:
    what = f"Master {one.get('master')} of {one.get('channel')} ({one.get('characteristic')}): {after_master(one)}."
    if one.get("state") == "failed-master-check":
        return Fault(what, "Clean master and nozzle, check again. Failed again: set the column; "
                           "what was measured since the last good check is in doubt.")
    if one.get("state") == "master-calibration-due":
        return Fault(what, "Have it calibrated, or take another.")
    return Fault(what, "Put it on, and have the column send.")


def _of_output(name: str, output: dict[str, Any]) -> list[Fault]:
    found = []
    if output.get("error"):
        found.append(Fault(f"Output {name}: {output['error'].removeprefix(f'output {name}: ')}",
                           "Records wait on this PC, none is lost. See share and network."))
    if output.get("refused"):
        found.append(Fault(f"Output {name} has refused {output['refused']} records.",
                           "`collector resend` says why, and hands them over again."))
    return found


def _since(text: str) -> str:
    return f" since {clock_text(text)}" if text else ""
