"""`collector status CONFIG`: ports, counts, backlog of each output, last error; exit 1 if anything needs a person."""

import json
import shutil
import sys
import time
from argparse import ArgumentParser, Namespace
from contextlib import suppress
from pathlib import Path
from typing import Any

from collector.clock import SystemClock
from collector.commands.arguments import seconds
from collector.config.plan import Plan, read_plan
from collector.errors import CollectorError
from collector.journal import JournalReader
from collector.logs import plain
from collector.service.status import read_status
from collector.service.tally import OPEN


def add_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("config", type=Path, metavar="CONFIG", help="configuration file, or a folder of them")
    shape = parser.add_mutually_exclusive_group()
    shape.add_argument("--json", action="store_true", help="print everything as JSON")
    shape.add_argument("--board", action="store_true", help="large words for each channel, to be read from afar")
    parser.add_argument("--watch", action="store_true", help="show it anew each second until Ctrl-C")
    parser.add_argument("--for", dest="long", type=seconds, metavar="TIME",
                        help="with --watch: end after this long, as in 20s")


def run(args: Namespace) -> int:
    plan = read_plan(args.config)
    end = time.monotonic() + (float("inf") if args.long is None else args.long)
    while True:
        status = read_status(plan)
        text = json.dumps(status, indent=2) if args.json else "\n".join(_board(plan) if args.board else lines(status))
        if args.watch and sys.stdout.isatty():
            text = f"\x1b[H\x1b[2J{text}"
        print(text, flush=True)
        if not args.watch or time.monotonic() >= end:
            return 1 if status["needs"] else 0
        time.sleep(max(0.0, min(1.0, end - time.monotonic())))


def _board(plan: Plan) -> list[str]:
    """A board as large as the terminal."""
    from collector.commands import board_view
    from collector.outputs.board import followed
    from collector.outputs.board_faults import told
    from collector.outputs.board_known import Known
    from collector.outputs.board_view import view
    known = Known()
    with suppress(CollectorError):                   # no journal yet, or none that can be read: status says so
        reader = JournalReader.open(plan.state)
        known = followed(known, reader)
        reader.close()
    width, height = shutil.get_terminal_size()
    shown = view(plan.site, known, told(plan.state, SystemClock()), SystemClock())
    return board_view.lines(shown, width, height - 1, board_view.has_colours())      # the last line is the cursor's


def lines(status: dict[str, Any]) -> list[str]:
    """The status as lines for a terminal; nothing from the wire in them raw."""
    running = f"running since {status.get('started', '')}" if status["running"] else \
        f"NOT RUNNING; last heard of at {status.get('at') or 'never'}"
    found = [f"{status.get('site', '')}: {running}; version {status.get('version', '')}; {status.get('at', '')}",
             f"{_journal(status)}; clock {_clock(status)}", ""]
    ports = status.get("ports", {})
    rows = [("port", "state", "since", "frames/min", "last frame", "frames", "unread", "line errors", "lost", "device")]
    rows += [(name, _state(port), port["since"][:19], str(port.get("per-minute", "")), port["last-frame"][:19],
              str(port["frames"]), str(sum(port["unread"].values())), _line_errors(port), str(port["losses"]),
              port["device"])
             for name, port in ports.items()]
    found += [*_table(rows), ""]
    rows = [("port", "channel", "last value", "verdict", "at", "readings", "pass", "fail")]
    rows += [(name, channel, f"{last['value']} {last['unit']}".strip(), f"{last['verdict']} {last['side']}".strip(),
              last["time"][:19], *(str(last[key]) for key in ("readings", "passed", "failed")))
             for name, port in ports.items() for channel, last in port["channels"].items()]
    found += _table(rows) if len(rows) > 1 else ["nothing measured yet"]
    found += (["", *_table(_ledger(status.get("ledger", {})))] + _context(status.get("context", {}))
              + _masters(status.get("masters", [])))
    rows = [("output", "delivered through", "waiting", "oldest waiting", "refused", "last delivery", "now",
             "last error")]
    for name, output in status["outputs"].items():
        rows.append((name, str(output["delivered"]), str(output["waiting"]), output.get("oldest-waiting", "")[:19],
                     str(output.get("refused", 0)), output.get("last-delivery", "")[:19],
                     "down" if output.get("error") else "well", output.get("last-error", "")))
    found += ["", *_table(rows)]
    if status["needs"]:
        found += ["", "Needs a person:", *(f"  {plain(one)}" for one in status["needs"])]
    return found


def _journal(status: dict[str, Any]) -> str:
    journal = status.get("journal", {})
    size = f"{journal.get('bytes', 0) / 1e6:.1f} of {journal.get('most', 0) / 1e6:.0f} MB"
    return (f"{status['last-seq']} records, the oldest kept of {journal.get('oldest', '')[:19] or 'no time'}; "
            f"journal {size}")


def _clock(status: dict[str, Any]) -> str:
    words = {True: "synchronised", False: "NOT synchronised"}
    return words.get(status.get("clock", {}).get("synchronised"), "state unknown")


def _state(port: dict[str, Any]) -> str:
    return "silent" if port.get("silent") and port["state"] == OPEN else port["state"]


def _line_errors(port: dict[str, Any]) -> str:
    if port.get("line-errors") is None:
        return "not counted"
    return ", ".join(f"{count} {kind.replace('_', ' ')}" for kind, count in port["line-errors"].items() if count) or "0"


def _ledger(ledger: dict[str, dict[str, Any]]) -> list[tuple[str, ...]]:
    counts = ("bytes", "in_frames", "marks", "discarded", "lost", "waiting", "frames", "read", "unread")
    rows = [("since the journal was made", *(name.replace("_", " ") for name in counts), "records")]
    return rows + [(name or "(of no port)", *(str(one.get(count, 0)) if name else "" for count in counts),
                    str(sum(one.get("kinds", {}).values())))
                   for name, one in sorted(ledger.items())]


def _context(context: dict[str, dict[str, str]]) -> list[str]:
    return ["", *(f"in force on {port}: {plain(', '.join(f'{field} {text}' for field, text in held.items()))}"
                  for port, held in context.items())] if context else []


def _masters(masters: list[dict[str, Any]]) -> list[str]:
    if not masters:
        return []
    rows = [("master", "channel", "part", "characteristic", "state", "last check", "read off by", "due", "parts left",
             "calibrated until")]
    for one in masters:
        rows.append(tuple(str(one.get(key, "")) for key in ("master", "channel", "part", "characteristic", "state",
                                                            "last", "deviation", "due", "parts-left",
                                                            "calibrated-until")))
    return ["", *_table(rows)]


def _table(rows: list[tuple[str, ...]]) -> list[str]:
    shown = [tuple(plain(cell) for cell in row) for row in rows]
    widths = [max(len(row[column]) for row in shown) for column in range(len(shown[0]))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths)).rstrip() for row in shown]
