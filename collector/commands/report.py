"""`collector report CONFIG --to FOLDER|FILE.html`: a page for a lot, a part or a time span, its tables beside it."""

import sys
from argparse import ArgumentParser, ArgumentTypeError, Namespace
from datetime import datetime, timezone
from pathlib import Path
from typing import TYPE_CHECKING

from collector.commands.arguments import moment_us, utf8
from collector.config.plan import read_plan
from collector.errors import CollectorError
from collector.journal import JournalReader
from collector.logs import plain

if TYPE_CHECKING:
    from collector.report.made import Report

_EXTRA = ("jinja2", "markupsafe", "matplotlib", "numpy", "scipy")
_MOST_IN_A_SUBGROUP = 100


def add_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("config", type=_path, metavar="CONFIG", nargs="?",
                        help="configuration file, or a folder of them; not needed with --records")
    parser.add_argument("--part", type=utf8, default="", help="only this part number")
    parser.add_argument("--lot", type=utf8, default="", help="only this lot")
    parser.add_argument("--serial", type=utf8, default="", help="only this serial")
    parser.add_argument("--characteristic", type=utf8, default="", metavar="NAME",
                        help="only this characteristic")
    parser.add_argument("--since", type=_time, metavar="TIME",
                        help="from this time on (RFC 3339, or a date: UTC)")
    parser.add_argument("--until", type=_time, metavar="TIME", help="before this time")
    parser.add_argument("--records", type=_path, nargs="+", default=[], metavar="FILE",
                        help="JSON lines or CSV as an output or `export` wrote them, instead of the journal")
    parser.add_argument("--subgroup", type=_size, default=1, metavar="N",
                        help="control charts of subgroups of N values (1, the default: individuals and moving range)")
    parser.add_argument("--spread", choices=("range", "deviation"), default="range",
                        help="what tells how a subgroup spreads (default range; above 10 values deviation)")
    parser.add_argument("--confidence", type=_confidence, default=0.95, metavar="P",
                        help="of the intervals of indices (default 0.95)")
    parser.add_argument("--to", type=_path, metavar="FOLDER|FILE.html", help="where the page and its tables go")
    parser.add_argument("--force", action="store_true", help="replace what is there, though it is no report of ours")
    parser.add_argument("--json", action="store_true", help="all of it as JSON on standard output")
    parser.set_defaults(wrong_usage=parser.error)


def run(args: Namespace) -> int:
    if args.config is None and not args.records:
        args.wrong_usage("say which configuration, or which files with --records")
    if args.to is None and not args.json:
        args.wrong_usage("say --to FOLDER, --to FILE.html, or --json")
    try:
        from collector.pages.apart import keep_apart
        keep_apart()
        return _run(args)
    except ModuleNotFoundError as missing:
        if (missing.name or "").partition(".")[0] not in _EXTRA:
            raise
        raise CollectorError(f"a report needs the extra: pip install 'CHECKOUT[report]' into the same place "
                             f"({missing.name} is missing)") from missing


def _run(args: Namespace) -> int:
    from collector.report import selection as selecting        # of the extra: never at the start of another command
    from collector.report.figures import Wanted
    from collector.report.made import make
    from collector.report.tables import as_json
    asked = selecting.Selection(
        part=args.part, lot=args.lot, serial=args.serial, characteristic=args.characteristic, since=args.since or "",
        until=args.until or "", since_us=selecting.time_us(args.since) if args.since else None,
        until_us=selecting.time_us(args.until) if args.until else None)
    wanted, now = Wanted(args.subgroup, args.spread, args.confidence), datetime.now(timezone.utc)
    with _Progress() as tell:
        if args.records:
            from collector.report.record_files import RecordFiles
            files = RecordFiles(args.records)
            report = make(files, asked, wanted, now, files=files.digests(), tell=tell)
        else:
            journal = JournalReader.open(read_plan(args.config).state)
            report = make(journal, asked, wanted, now, through=journal.last(), tell=tell)
            journal.close()
    command = selecting.command(str(args.config), asked, report.latest_us) if not args.records else ""
    if args.to is not None:
        told = _write(report, command, args.to, args.force)
        print(told, file=sys.stderr if args.json else sys.stdout)
    if args.json:
        sys.stdout.buffer.write(as_json(report, command) + b"\n")
        sys.stdout.buffer.flush()
    return 0


def _write(report: "Report", command: str, to: Path, force: bool) -> str:
    """Writes it; gives back what to say of it."""
    from collector.pages import replacing
    from collector.report.page import page
    from collector.report.tables import tables
    from collector.report.writing import places
    made = tables(report)
    at, named = places(to, list(made))
    beside = {named[name]: data for name, data in made.items()}
    replacing.refuse_foreign(at, beside, force, ("report",))
    text = page(report, command, {path.name: replacing.digest(data) for path, data in beside.items()})
    replacing.write(at, text.encode("utf-8"), beside)
    return plain(f"{at}: {report.trace.count} records, seq {report.trace.first} to {report.trace.last}; "
                 f"tables: {', '.join(path.name for path in beside)}")


class _Progress:
    """How many records were read, in one line of a terminal; nothing where standard error is none."""

    def __enter__(self) -> "_Progress":
        self._shown = False
        return self

    def __call__(self, count: int) -> None:
        if sys.stderr.isatty():
            self._shown = True
            print(f"\r{count:,} records read", end="", file=sys.stderr, flush=True)

    def __exit__(self, *_: object) -> None:
        if self._shown:
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)


def _time(text: str) -> str:
    """The text as it is, where it is a time."""
    moment_us(text)
    return text


def _path(text: str) -> Path:
    """Pages and JSON name it."""
    return Path(utf8(text))


def _size(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= _MOST_IN_A_SUBGROUP:
        raise ArgumentTypeError(f"{text!r} is not a size of a subgroup; write 1 to {_MOST_IN_A_SUBGROUP}")
    return int(text)


def _confidence(text: str) -> float:
    try:
        found = float(text)
    except ValueError:
        found = 0.0
    if not 0.5 <= found <= 0.9999:
        raise ArgumentTypeError(f"{text!r} is not a confidence; write 0.5 to 0.9999, as in 0.95")
    return found
