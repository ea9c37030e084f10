"""The status file: what the daemon and its outputs say of themselves, replaced whole, each second while
something comes or changes, else each few.

Knows: where the pieces lie in the state folder, how they are put together, what needs a person.
Must not know: how it is shown.
"""

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec
import structlog

from collector import __version__
from collector.clock import SystemClock, text_of
from collector.config.plan import Plan
from collector.errors import CollectorError
from collector.files import read_object, show
from collector.journal import JournalReader, set_aside
from collector.measuring.masters import CALIBRATION
from collector.service.due import GOOD, in_force, masters_due
from collector.service.ledger import Account
from collector.service.tally import OPEN

if TYPE_CHECKING:
    from collector.service.daemon import Daemon

log = structlog.get_logger()

FILE = "status.json"
STALE_S = 10.0


def write_status(daemon: "Daemon") -> None:
    """Write what is so now; a disk that is full or gone never stops the daemon for this."""
    worker = daemon.worker
    for tally in list(worker.tallies.values()):
        tally.look(daemon.clock.steady_ns())
    said = {
        "version": __version__, "site": daemon.plan.site, "pid": os.getpid(), "started": text_of(daemon.started_ns),
        "at": text_of(daemon.clock.wall_ns()), "boot": daemon.boot, "since-boot-ns": daemon.clock.since_boot_ns(),
        "stopping": daemon.stopping.is_set(), "last-seq": worker.keeper.last_seq,
        "journal": {"full": worker.keeper.full, "bytes": worker.keeper.bytes, "most": daemon.plan.journal.most,
                    "reserve": worker.keeper.reserve},
        "reload-refused": daemon.reload_refused,
        "ports": {name: tally.as_dict() for name, tally in list(worker.tallies.items())},
        "clock": {"synchronised": worker.watch.synchronised},
        "masters": masters_due(worker.cell, daemon.clock.wall_ns()), "context": in_force(worker.cell),
        "ledger": worker.cell.memory.ledger.as_dict(), "open-parts": len(worker.cell.memory.pieces),
        "orders": {name: folder.error for name, folder in daemon.orders.items()},
    }
    try:
        show(daemon.plan.state / FILE, msgspec.json.encode(said))
    except OSError as error:
        log.error("status-not-written", cause=error.strerror)


def delivered_through(state: Path, outputs: list[str]) -> int:
    """The seq through which every one of these outputs has taken everything; 0 where one has said nothing yet."""
    return min((read_object(state / "outputs" / f"{name}.cursor").get("delivered", 0) for name in outputs), default=0)


def last_seen(state: Path) -> int:
    """The highest seq that is known to have been used: by what the outputs and the last daemon said."""
    said = [read_object(path) for path in (state / "outputs").glob("*.cursor")]
    pending = [(one.get("pending") or {}).get("through", 0) for one in said]
    return max([read_object(state / FILE).get("last-seq", 0), *pending, *(one.get("delivered", 0) for one in said)])


def read_status(plan: Plan) -> dict[str, Any]:
    """Everything `status` shows: the daemon's file, each output's, the journal's last seq,
    and `needs`: for a person."""
    said = read_object(plan.state / FILE)
    running = _running(said)
    last = said.get("last-seq", 0)
    try:
        journal = JournalReader.open(plan.state)
        last = journal.last()
        said.setdefault("journal", {})["oldest"] = text_of(journal.oldest_ns())
        journal.close()
    except CollectorError as error:
        said.setdefault("journal", {})["error"] = str(error)
    said.setdefault("journal", {})["set-aside"] = [str(path) for path in set_aside(plan.state)]
    outputs = {}
    for name in plan.outputs:
        one = read_object(plan.state / "outputs" / f"{name}.status.json")
        one["delivered"] = read_object(plan.state / "outputs" / f"{name}.cursor").get("delivered", 0)
        one["waiting"] = max(0, last - one["delivered"])
        outputs[name] = one
    whole = {**said, "running": running, "last-seq": last, "outputs": outputs}
    whole["needs"] = _needs(whole)
    return whole


def _running(said: dict[str, Any]) -> bool:
    """Whether the daemon that said this is alive and has said it lately: by the time since boot, which nobody sets."""
    if said.get("boot") != SystemClock.boot() or "since-boot-ns" not in said:
        return False
    fresh = SystemClock.since_boot_ns() - said["since-boot-ns"] < STALE_S * 1_000_000_000
    return fresh and Path(f"/proc/{said['pid']}").exists()


def _needs(whole: dict[str, Any]) -> list[str]:
    found = []
    if not whole["running"]:
        found.append(f"the collector is not running; last heard of at {whole.get('at') or 'never'}")
    if error := whole.get("journal", {}).get("error"):
        found.append(error)
    for name, port in whole.get("ports", {}).items():
        if port["state"] != OPEN and whole["running"]:
            found.append(f"port {name} is not open: {port['cause'] or 'not tried yet'}")
        elif port.get("silent"):
            found.append(f"port {name} is silent since {port['last-frame'] or port['since']}: is the column on, "
                         "its cable in place?")
    for name, output in whole["outputs"].items():
        if output.get("error"):
            found.append(f"output {name}: {output['error']}")
        if output.get("refused"):
            found.append(f"output {name} has refused {output['refused']} records: "
                         "`collector resend` lists them with the reason, and hands them over again")
    for master in whole.get("masters", []):
        if master["in-force"] and master["state"] != GOOD:
            what = "have it calibrated" if master["state"] == CALIBRATION else "check the column on it"
            found.append(f"master {master['master']} of {master['channel']} ({master['part']}, "
                         f"{master['characteristic']}): {master['state']}; {what}")
    for name, account in whole.get("ledger", {}).items():
        known = {field: account[field] for field in Account.__struct_fields__ if field in account}
        found += [f"the ledger of {f'port {name}' if name else 'what is of no port'} does not balance: {fault}"
                  for fault in Account(**known).faults()]
    for name, error in whole.get("orders", {}).items():
        if error:
            found.append(f"orders {name}: {error}")
    if whole.get("journal", {}).get("reserve") == "given up":
        found.append("the journal's disk is all but full: its reserve is in use; make room")
    for aside in whole.get("journal", {}).get("set-aside", []):
        found.append(f"the journal's file failed once and lies aside as {aside}: see the disk; "
                     "`collector salvage` reads it; move it away")
    if whole.get("journal", {}).get("full"):
        found.append("the journal's disk is full: collection waits for room")
    if whole.get("journal", {}).get("bytes", 0) > whole.get("journal", {}).get("most", 1 << 62):
        found.append("the journal is larger than journal.most")
    if whole.get("reload-refused"):
        found.append(f"the changed configuration was refused: {whole['reload-refused']}")
    return found
