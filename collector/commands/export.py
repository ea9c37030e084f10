"""`collector export CONFIG`: records out of the journal for a time span, part, lot or kind, as CSV or JSON lines."""

import json
import sys
from argparse import ArgumentParser, Namespace
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any

import msgspec

from collector.commands.arguments import moment_us, utf8
from collector.config.plan import read_plan
from collector.errors import CollectorError
from collector.journal import JournalReader, Row
from collector.logs import plain
from collector.outputs.csv_file import csv_header, csv_lines
from collector.record import FIELDS, decode
from collector.service.ledger import UNKNOWN
from collector.service.proof import prove

_AT_ONCE = 500


def add_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("config", type=Path, metavar="CONFIG", help="configuration file, or a folder of them")
    parser.add_argument("--since", type=moment_us, metavar="TIME", help="from this time on (RFC 3339, or a date: UTC)")
    parser.add_argument("--until", type=moment_us, metavar="TIME", help="before this time")
    parser.add_argument("--part", type=utf8, help="only this part number")
    parser.add_argument("--lot", type=utf8, help="only this lot")
    parser.add_argument("--kind", action="append", default=[], help="only this kind of record; may be given again")
    parser.add_argument("--suspect", type=int, metavar="SEQ",
                        help="the readings that the suspect record with this seq puts in doubt")
    parser.add_argument("--ledger", action="store_true",
                        help="count everything again: what came in, was kept, was handed over; exit 1 if "
                             "anything is missing")
    parser.add_argument("--csv", action="store_true", help="CSV instead of JSON lines")
    parser.add_argument("--json", action="store_true", help="JSON lines (the default)")


def run(args: Namespace) -> int:
    plan = read_plan(args.config)
    if args.ledger:
        return _ledger(prove(plan), args.json)
    journal = JournalReader.open(plan.state)
    out = sys.stdout.buffer
    if args.csv:
        out.write(csv_header(FIELDS))
    rows = _in_doubt(journal, args.suspect) if args.suspect is not None else journal.select(
        since_us=args.since, until_us=args.until, part=args.part, lot=args.lot, kinds=tuple(args.kind))
    out.writelines(_csv(iter(rows)) if args.csv else (row.body + b"\n" for row in rows))
    out.flush()
    journal.close()
    return 0


def _csv(rows: Iterator[Row]) -> Iterator[bytes]:
    """Some lines at a time.  Raises CollectorError for what is no record, behind the lines of what was before it."""
    while some := list(islice(rows, _AT_ONCE)):
        try:
            yield b"".join(csv_lines([row.body for row in some], FIELDS))
        except (msgspec.MsgspecError, UnicodeError):
            yield from map(_csv_line, some)


def _csv_line(row: Row) -> bytes:
    try:
        return b"".join(csv_lines([row.body], FIELDS))
    except (msgspec.MsgspecError, UnicodeError) as error:
        raise CollectorError(f"record {row.seq} in the journal is no record: {error}; `collector salvage` takes it out "
                             "as it is") from error


def _ledger(told: dict[str, Any], as_json: bool) -> int:
    if as_json:
        print(json.dumps(told, indent=2))
        return 1 if told["faults"] else 0
    records, known = told["records"], dict(told["records"]["kinds"])
    unknown = known.pop(UNKNOWN, 0)
    print(f"{records['last-seq'] - unknown} records were kept, {records['gone'] - unknown} of them are no longer in "
          "the journal: " + ", ".join(f"{kind} {times}" for kind, times in sorted(known.items())))
    if unknown:
        print(f"{unknown} numbers up to {records['last-seq']} are of no record that is known: the gap of a restore, "
              "or what a journal file lost that failed; the outputs count them as delivered")
    for port, one in told["ports"].items():
        if port:
            print(plain(f"port {port}: {one['bytes']} bytes = {one['in_frames']} in frames + {one['marks']} marks + "
                        f"{one['discarded']} discarded + {one['lost']} lost + {one['waiting']} waiting; "
                        f"{one['frames']} frames = {one['read']} read + {one['unread']} unread"))
    for name, one in told["outputs"].items():
        print(f"output {name}: {one['records']} records = {one['delivered']} delivered + {one['refused']} refused + "
              f"{one['waiting']} waiting")
    print(*(plain(f"NOT BALANCED: {fault}") for fault in told["faults"]), sep="\n", end="\n" if told["faults"] else "")
    return 1 if told["faults"] else 0


def _in_doubt(journal: JournalReader, seq: int) -> Iterator[Row]:
    """The readings of a suspect record, as far as they are still in the journal."""
    found = next(journal.select(kinds=("suspect",), first=seq, through=seq), None)
    if found is None:
        raise CollectorError(f"record {seq} is not a suspect record, or is no longer in the journal; "
                             "--kind suspect lists them")
    suspect = decode(found.body)
    told = json.loads(bytes(suspect.detail))
    for row in journal.select(port=found.port, kinds=("measurement", "sweep"), first=told["first"],
                              through=told["last"]):
        if decode(row.body).channel == suspect.channel:
            yield row
