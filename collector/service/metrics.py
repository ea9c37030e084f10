"""What the plant's monitoring reads: a text file of metrics, replaced whole, for a collector of text files to pick up.

Knows: the Prometheus text exposition format (version 0.0.4) and its naming conventions:
base units, `_total` on counters.
Must not know: how the figures came about, who reads the file.

The file is made from the very status that `status` shows, so that both say the same.
"""

from collections.abc import Iterable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

from msgspec import Struct

from collector.files import show

FILE = "collector-{site}.prom"

Sample = tuple[dict[str, str], float | int]


class Metric(Struct, frozen=True):
    """One metric: its name without prefix, its type, its help, its samples by labels."""

    name: str
    kind: str
    help: str
    samples: list[Sample]


def write_metrics(folder: Path, site: str, status: dict[str, Any]) -> None:
    """Replace `collector-SITE.prom` in this folder.  Raises OSError."""
    show(folder / FILE.format(site=site), text_of(metrics_of(status)).encode(), padded=False, mode=0o644)


def metrics_of(status: dict[str, Any]) -> list[Metric]:
    """The metrics of a status, as `read_status` gives it."""
    found = [*_of_program(status), *_of_ports(status.get("ports", {})), *_of_records(status.get("ledger", {})),
             *_of_outputs(status["outputs"])]
    masters = [({name: one[name] for name in ("master", "channel", "part", "characteristic", "state")}, 1)
               for one in status.get("masters", []) if one["in-force"]]
    return [*found, Metric("master_state", "gauge", "1, the state of each master in force being a label.", masters)]


def _of_program(status: dict[str, Any]) -> Iterator[Metric]:
    journal = status.get("journal", {})
    yield Metric("info", "gauge", "Version and site.",
                 [({"version": status.get("version", ""), "site": status.get("site", "")}, 1)])
    yield Metric("start_time_seconds", "gauge", "When it was started, in Unix time.", _time(status.get("started", "")))
    yield Metric("status_time_seconds", "gauge", "When it last said how it is, in Unix time: stale means dead.",
                 _time(status.get("at", "")))
    yield Metric("needs_person", "gauge", "How many faults need a person; `collector status` names them.",
                 [({}, len(status["needs"]))])
    yield Metric("journal_bytes", "gauge", "Size of the journal.", [({}, journal.get("bytes", 0))])
    yield Metric("journal_most_bytes", "gauge", "The size that raises the alarm.", [({}, journal.get("most", 0))])
    yield Metric("journal_full", "gauge", "1 while it waits for room on the disk.",
                 [({}, int(journal.get("full", False)))])
    synchronised = status.get("clock", {}).get("synchronised")
    yield Metric("clock_synchronised", "gauge", "1 where something keeps the clock right, 0 where nothing does.",
                 [] if synchronised is None else [({}, int(synchronised))])
    yield Metric("open_parts", "gauge", "Parts begun and not finished.", [({}, status.get("open-parts", 0))])


def _of_ports(ports: dict[str, dict[str, Any]]) -> Iterator[Metric]:
    def each(key: str) -> list[Sample]:
        return [({"port": name}, int(port.get(key, 0))) for name, port in ports.items()]

    yield Metric("port_open", "gauge", "1 while the port is open.",
                 [({"port": name}, int(port["state"] == "open")) for name, port in ports.items()])
    yield Metric("port_silent", "gauge", "1 while no frame has come for longer than `silent` says.", each("silent"))
    yield Metric("port_losses_total", "counter", "How often the port was lost since the start.", each("losses"))
    yield Metric("port_received_bytes_total", "counter", "Bytes received since the start.", each("bytes"))
    yield Metric("port_frames_total", "counter", "Frames since the start.", each("frames"))
    yield Metric("port_unread_frames_total", "counter", "Frames that no rule could read, by reason, since the start.",
                 [({"port": name, "reason": reason}, count) for name, port in ports.items()
                  for reason, count in port["unread"].items()])
    yield Metric("port_unanswered_requests_total", "counter", "Requests without an answer in time, since the start.",
                 each("unanswered"))
    yield Metric("port_line_errors_total", "counter",
                 "Line errors that the driver has counted, by kind, since the start.",
                 [({"port": name, "kind": kind}, count) for name, port in ports.items()
                  for kind, count in (port.get("line-errors") or {}).items()])
    yield Metric("port_last_frame_time_seconds", "gauge", "When the last frame came, in Unix time.",
                 [({"port": name}, value) for name, port in ports.items() for _, value in _time(port["last-frame"])])


def _of_records(ledger: dict[str, dict[str, Any]]) -> Iterator[Metric]:
    yield Metric("records_total", "counter", "Records kept, by port and kind, since the journal was made.",
                 [({"port": name, "kind": kind}, count) for name, account in ledger.items()
                  for kind, count in account.get("kinds", {}).items()])


def _of_outputs(outputs: dict[str, dict[str, Any]]) -> Iterator[Metric]:
    def each(key: str) -> list[Sample]:
        return [({"output": name}, output.get(key, 0)) for name, output in outputs.items()]

    yield Metric("output_waiting_records", "gauge", "Records that the output has not taken yet.", each("waiting"))
    yield Metric("output_refused_records", "gauge", "Records that the output can never take, set aside.",
                 each("refused"))
    yield Metric("output_up", "gauge", "1 while nothing is wrong with the output.",
                 [({"output": name}, int(not output.get("error"))) for name, output in outputs.items()])
    yield Metric("output_last_delivery_time_seconds", "gauge", "When it last took something, in Unix time.",
                 [({"output": name}, value) for name, output in outputs.items()
                  for _, value in _time(output.get("last-delivery", ""))])


def _time(text: str) -> list[Sample]:
    return [({}, datetime.fromisoformat(text).timestamp())] if text else []


def text_of(metrics: Iterable[Metric]) -> str:
    """The exposition text of these metrics; one without samples is left out."""
    lines = []
    for one in metrics:
        if one.samples:
            lines += [f"# HELP collector_{one.name} {one.help}", f"# TYPE collector_{one.name} {one.kind}"]
            lines += [f"collector_{one.name}{_labels(labels)} {value}" for labels, value in one.samples]
    return "\n".join(lines) + "\n"


def _labels(labels: dict[str, str]) -> str:
    said = ",".join(f'{name}="{_escaped(text)}"' for name, text in labels.items())
    return f"{{{said}}}" if said else ""


def _escaped(text: str) -> str:
    return text.replace("\\", r"\\").replace('"', r'\"').replace("\n", r"\n")
