"""`collector try CONFIG CAPTURE`: run a capture through the configuration and show the records that would come out."""

import sys
from argparse import ArgumentParser, Namespace
from collections.abc import Iterator
from pathlib import Path

from msgspec import structs

from collector.config.plan import Plan, PortPlan, read_plan
from collector.errors import CollectorError
from collector.journal import Row
from collector.logs import plain
from collector.measuring.context import FIELDS, Source
from collector.ports.capture import read_capture
from collector.record import Chunk, decode
from collector.service.cell import Cell
from collector.service.memory import Memory
from collector.service.numbering import Numbering
from collector.service.pipeline import Pipeline
from collector.service.tally import Tally

BY_HAND = "by-hand"
START_NS = 1_767_225_600 * 1_000_000_000              # 2026-01-01T00:00:00Z: a trial has no time of its own


def add_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("config", type=Path, metavar="CONFIG", help="configuration file, or a folder of them")
    parser.add_argument("capture", type=Path, metavar="CAPTURE", help="captured bytes, as `listen --save` writes them")
    parser.add_argument("--port", metavar="NAME", help="which port the capture is from; needed where there are several")
    parser.add_argument("--with", dest="others", action="append", default=[], metavar="PORT=CAPTURE",
                        help="a capture of another port of the same time, as of a scanner; may be given again")
    parser.add_argument("--set", dest="said", action="append", default=[], metavar="FIELD=TEXT",
                        help=f"context in force from the start, as in part=PH-200; fields: {', '.join(FIELDS)}")
    parser.add_argument("--json", action="store_true", help="print whole records as JSON lines")


def run(args: Namespace) -> int:
    plan = read_plan(args.config)
    if args.port is None and len(plan.ports) > 1:
        print(f"try: say which port the capture is from: --port {' or '.join(plan.ports)}", file=sys.stderr)
        return 2
    captures = {args.port or next(iter(plan.ports)): args.capture,
                **{port: Path(file) for port, file in _pairs(args.others)}}
    for name in captures:
        if name not in plan.ports:
            raise CollectorError(f"there is no port {name!r}; ports are {', '.join(plan.ports)}")
    said = dict(_pairs(args.said))
    for field in said:
        if field not in FIELDS:
            raise CollectorError(f"there is no field {field!r}; fields are {', '.join(FIELDS)}")
    for row in trial(plan, captures, said):
        print(row.body.decode() if args.json else _line(row))
    return 0


def _pairs(texts: list[str]) -> list[tuple[str, str]]:
    for text in texts:
        if "=" not in text:
            raise CollectorError(f"{text!r} says no name; write NAME=…")
    return [(name, text) for name, _, text in (one.partition("=") for one in texts)]


def trial(plan: Plan, captures: dict[str, Path], said: dict[str, str]) -> Iterator[Row]:
    """The records that these captures would make, by port; the journal is called TRY00000, time starts with 2026.

    `said`: context in force from the start, on all ports.  At the end everything that waits for time gets it.
    """
    by_hand = Source(name=BY_HAND, sets=FIELDS, ports=tuple(plan.ports))
    plan = structs.replace(plan, sources={**plan.sources, BY_HAND: by_hand})
    cell = Cell(plan, Numbering(plan.site, "TRY00000", 1), Memory({}))
    return map(cell.numbering.forms.whole, _made(plan, cell, captures, said))


def _made(plan: Plan, cell: Cell, captures: dict[str, Path], said: dict[str, str]) -> Iterator[Row]:
    read = {port: read_capture(capture) for port, capture in captures.items()}
    pipelines = {name: Pipeline(_in_its_time(port, read.get(name, [])), cell, Tally(port.line.device))
                 for name, port in plan.ports.items()}
    for pipeline in pipelines.values():
        pipeline.opened(False, 0, was_quiet=True)
    yield from cell.put(BY_HAND, said, START_NS)
    reads = sorted((round((index if seconds is None else seconds) * 1_000_000_000), port, index, data)
                   for port, capture in read.items() for index, (seconds, data) in enumerate(capture))
    for at_ns, port, _, data in reads:
        yield from _due(pipelines, at_ns)
        yield from cell.tick(START_NS + at_ns)
        yield from pipelines[port].quiet(at_ns)
        yield from pipelines[port].feed(Chunk(port, data, START_NS + at_ns, at_ns))
    end_ns = reads[-1][0] if reads else 0
    yield from _due(pipelines, None)
    for pipeline in pipelines.values():
        yield from pipeline.cut(START_NS + end_ns, end_ns, "end of the capture")
    while (at_ns := cell.assembly.due_ns()) is not None:
        yield from cell.tick(at_ns)


def _in_its_time(port: PortPlan, reads: list[tuple[float | None, bytes]]) -> PortPlan:
    """The port; where its lines have no times, nothing tells that a frame of a `length` has lost a byte."""
    if all(seconds is not None for seconds, _ in reads):
        return port
    return structs.replace(port, framing=structs.replace(port.framing, rest_ms=0))


def _due(pipelines: dict[str, Pipeline], until_ns: int | None) -> Iterator[Row]:
    """What the quiet before `until_ns` ends (None: all that it ever will)."""
    while due := [(at, name) for name, one in pipelines.items()
                  if (at := one.due_ns) is not None and (until_ns is None or at < until_ns)]:
        at, name = min(due)
        yield from pipelines[name].tick(at)


def _line(row: Row) -> str:
    record = decode(row.body)
    said = [str(record.seq), record.kind, record.channel, record.part, record.characteristic,
            f"{bytes(record.value).decode()} {record.unit}".strip(), record.verdict, record.side,
            ";".join(record.flags)]
    more = bytes(record.detail).decode() if record.detail else ""
    return plain("  ".join(one for one in (*said, f"<{record.raw}>", more) if one))
