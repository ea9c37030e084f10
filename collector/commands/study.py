"""`collector study CONFIG plan|show|read|master|drift`: gauge studies, planned, picked out of the journal, shown.

Needs the extra `report`; its libraries are imported only where a study is really made.
"""

import secrets
import sys
import time
from argparse import ArgumentParser, ArgumentTypeError, Namespace
from collections.abc import Callable
from decimal import Decimal, InvalidOperation
from pathlib import Path

from collector.commands.arguments import moment_us, seconds
from collector.errors import CollectorError

_OF = "the characteristic, PART/CHARACTERISTIC; its name alone where only one part has it"


def add_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("config", type=Path, metavar="CONFIG", help="configuration file, or a folder of them")
    verbs = parser.add_subparsers(dest="verb", metavar="VERB", required=True)
    plan = _verb(verbs, "plan", "draw a study: a plan (.json), a table (.csv) and a page to print (.html)", _planned)
    plan.add_argument("of", metavar="CHARACTERISTIC", help=_OF)
    plan.add_argument("--parts", default="10", metavar="N|A,B,...", help="how many, or their serials; default 10")
    plan.add_argument("--operators", default="3", metavar="N|A,B,...", help="how many, or who; default 3")
    plan.add_argument("--trials", type=int, default=3, metavar="N", help="how often each measures each; default 3")
    plan.add_argument("--seed", type=int, metavar="N", help="of the order of the runs; left out: one is drawn")
    plan.add_argument("--to", type=Path, required=True, metavar="FILE", help="the plan, as in bore-study.json")
    show = _verb(verbs, "show", "a planned study: its readings out of the journal, how far it is, its figures", _shown)
    show.add_argument("plan", type=Path, metavar="PLAN", help="the plan (.json)")
    show.add_argument("--watch", action="store_true", help="show it anew each second until it is complete, or Ctrl-C")
    show.add_argument("--for", dest="long", type=seconds, metavar="TIME",
                      help="with --watch: end after this long, as in 20s")
    show.add_argument("--without", type=int, action="append", default=[], metavar="SEQ", help="leave this reading out")
    show.add_argument("--despite", type=int, action="append", default=[], metavar="SEQ",
                      help="take this reading although it is in doubt")
    read = _verb(verbs, "read", "a study out of a table with the columns part, operator, value [, trial]", _read)
    read.add_argument("table", type=Path, metavar="TABLE", help="CSV, the first line names the columns")
    read.add_argument("--of", metavar="CHARACTERISTIC", help=f"whose tolerance it is compared with: {_OF}")
    read.add_argument("--comma", action="store_true", help="decimal comma, and ; between the cells")
    read.add_argument("--column", type=_called, action="append", default=[], metavar="NAME=CALLED",
                      help="what a column is called there, as in part=serial; may be given again")
    for one in (show, read):
        one.add_argument("--tolerance", type=_size, metavar="WIDTH", help="instead of the characteristic's")
    master = _verb(verbs, "master", "repeatability and bias of a column on one master, from its checks", _master)
    drift = _verb(verbs, "drift", "a column's drift on one master over time, and its trend", _drift)
    for one in (master, drift):
        one.add_argument("of", metavar="CHARACTERISTIC", help=_OF)
        one.add_argument("--master", metavar="NAME", help="the master; needed where the characteristic has several")
        one.add_argument("--since", type=moment_us, metavar="TIME", help="from this time on (RFC 3339, or a date: UTC)")
        one.add_argument("--until", type=moment_us, metavar="TIME", help="before this time")
    master.add_argument("--serial", metavar="TEXT", help="not checks, but readings of a part with this serial")
    master.add_argument("--size", type=_size, metavar="SIZE", help="with --serial: its true size")
    master.add_argument("--tolerance", type=_size, metavar="WIDTH", help="instead of the characteristic's")
    for one in (show, read, master, drift):
        one.add_argument("--to", type=Path, metavar="FILE.html", help="write a page, and its tables (.csv) beside it")
        one.add_argument("--force", action="store_true", help="replace what is there, though it is no page of a study")


def run(args: Namespace) -> int:
    try:
        from collector.pages.apart import keep_apart
        keep_apart()
        from collector.study import session
        return args.do(session, args)
    except ModuleNotFoundError as missing:
        if (missing.name or "").partition(".")[0] == "collector":
            raise
        raise CollectorError(f"study needs {missing.name}, of the extra `report`: "
                             "pip install 'CHECKOUT[report]' into the same place") from None


def _planned(session, args: Namespace) -> int:
    seed = secrets.randbelow(1_000_000_000) if args.seed is None else args.seed
    told, lines = session.plan(args.config, args.of, args.parts, args.operators, args.trials, seed, args.to)
    return _say(session, args, told, lines, 0)


def _shown(session, args: Namespace) -> int:
    end = time.monotonic() + (float("inf") if args.long is None else args.long)
    to = session.To(args.to, args.force)
    with session.Showing(args.config, args.plan, args.tolerance, args.without, args.despite, to) as showing:
        while True:
            told, lines, is_complete = showing.look()
            if args.watch and sys.stdout.isatty():
                print("\x1b[H\x1b[2J", end="")
            if is_complete or not args.watch or time.monotonic() >= end:
                break
            _say(session, args, told, lines, 0)
            time.sleep(max(0.0, min(1.0, end - time.monotonic())))
        showing.write()
    return _say(session, args, told, lines, 0 if is_complete else 1)


def _read(session, args: Namespace) -> int:
    told, lines = session.read(args.config, args.table, args.of, args.tolerance, args.comma, dict(args.column),
                               session.To(args.to, args.force))
    return _say(session, args, told, lines, 1 if told["study"]["why"] else 0)


def _master(session, args: Namespace) -> int:
    if bool(args.serial) and bool(args.master):
        raise CollectorError("either --master or --serial: checks of a master, or readings of a part")
    told, lines = session.master(args.config, args.of, args.master, args.serial, args.size, args.tolerance,
                                 (args.since, args.until), session.To(args.to, args.force))
    return _say(session, args, told, lines, 0)


def _drift(session, args: Namespace) -> int:
    told, lines = session.drift(args.config, args.of, args.master, (args.since, args.until),
                                session.To(args.to, args.force))
    return _say(session, args, told, lines, 0)


def _say(session, args: Namespace, told: dict, lines: list[str], code: int) -> int:
    print(session.json_text(told) if args.json else "\n".join(lines), flush=True)
    return code


def _verb(verbs, name: str, words: str, do: Callable[..., int]) -> ArgumentParser:
    one = verbs.add_parser(name, help=words, description=words)
    one.add_argument("--json", action="store_true", help="print everything as JSON")
    one.set_defaults(do=do)
    return one


def _called(text: str) -> tuple[str, str]:
    name, mark, called = text.partition("=")
    if not mark or name not in ("part", "operator", "value", "trial") or not called:
        raise ArgumentTypeError(f"{text!r}: write part=, operator=, value= or trial= and what it is called there")
    return name, called


def _size(text: str) -> Decimal:
    try:
        found = Decimal(text)
        if found.is_finite() and 0 < found < 10**9 and len(text) <= 20:
            return found
    except InvalidOperation:
        pass
    raise ArgumentTypeError(f"{text!r} is not a size; write plain digits in the characteristic's unit, as in 0.021")
