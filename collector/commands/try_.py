"""`collector try CONFIG CAPTURE`: run a capture through the configuration and show the records that would come out."""

import sys
from argparse import ArgumentParser, Namespace
from collections.abc import Iterator
from pathlib import Path

from collector.config.plan import PortPlan, read_plan
from collector.errors import CollectorError
from collector.journal import Row
from collector.logs import plain
from collector.ports.capture import read_capture
from collector.record import Chunk, decode
from collector.service.numbering import Numbering
from collector.service.pipeline import Pipeline
from collector.service.tally import Tally

START_NS = 1_767_225_600 * 1_000_000_000              # 2026-01-01T00:00:00Z: a trial has no time of its own


def add_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("config", type=Path, metavar="CONFIG", help="configuration file, or a folder of them")
    parser.add_argument("capture", type=Path, metavar="CAPTURE", help="captured bytes, as `listen --save` writes them")
    parser.add_argument("--port", metavar="NAME", help="which port the capture is from; needed where there are several")
    parser.add_argument("--json", action="store_true", help="print whole records as JSON lines")


def run(args: Namespace) -> int:
    plan = read_plan(args.config)
    if args.port is None and len(plan.ports) > 1:
        print(f"try: say which port the capture is from: --port {' or '.join(plan.ports)}", file=sys.stderr)
        return 2
    name = args.port or next(iter(plan.ports))
    if name not in plan.ports:
        raise CollectorError(f"there is no port {name!r}; ports are {', '.join(plan.ports)}")
    for row in trial(plan.site, plan.ports[name], args.capture):
        print(row.body.decode() if args.json else _line(row))
    return 0


def trial(site: str, port: PortPlan, capture: Path) -> Iterator[Row]:
    """The records that this capture would make on this port; the journal is called TRY00000, time starts with 2026."""
    pipeline = Pipeline(port, Numbering(site, "TRY00000", 1), Tally(port.line.device))
    at_ns = START_NS
    for index, (seconds, data) in enumerate(read_capture(capture)):
        at_ns = START_NS + int((index if seconds is None else seconds) * 1_000_000_000)
        yield from pipeline.feed(Chunk(port.name, data, at_ns, at_ns - START_NS))
    if pipeline.framer.due_ns is not None:
        yield from pipeline.tick(pipeline.framer.due_ns)
    yield from pipeline.cut(at_ns)


def _line(row: Row) -> str:
    record = decode(row.body)
    said = [str(record.seq), record.kind, record.channel, record.part, record.characteristic,
            f"{bytes(record.value).decode()} {record.unit}".strip(), record.verdict, record.side, ";".join(record.flags)]
    more = bytes(record.detail).decode() if record.detail else ""
    return plain("  ".join(one for one in (*said, f"<{record.raw}>", more) if one))
