"""`collector listen DEVICE`: show what arrives, as text and hex, with timing; `--probe` finds the line settings.

Nothing from the wire reaches the terminal raw, and nothing is ever sent, but what `--send` says, and only by `--probe`.
A capture holds each character as it was received, without the marks of line errors: a comment above a line tells of
them, so that a person can take the line out; `try` would read it as if it were sound.
"""

import json
import re
import sys
from argparse import ArgumentParser, ArgumentTypeError, Namespace
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any, TextIO

from collector.clock import Stamps, SystemClock
from collector.commands import probing
from collector.commands.rows import HEAD, Row, Rows
from collector.commands.tap import Stop, Watch, read, settings
from collector.config.models import character, device
from collector.errors import PortLost, StoppedByIO
from collector.logs import plain
from collector.ports import LineSettings, OpenPort, open_port
from collector.ports.capture import write_line
from collector.probe.evidence import Character, Unmarking, plain_share
from collector.probe.reasons import CHECK
from collector.record import escape, unescape
from collector.service import opener
from collector.settings import duration_ms, whole_number, yes_or_no

_LOOK_S, _QUIET_S, _BURST_S = 1.0, 0.2, 0.1
_SHORT = {"r": r"\x0d", "n": r"\x0a"}
_JUDGED, _GARBAGE = 24, 0.7              # characters before a hint; a smaller share of plain text is garbage


def add_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("device", type=_as(device), metavar="DEVICE",
                        help="as in a configuration: a path, socket://host:port, rfc2217://host:port")
    parser.add_argument("--probe", action="store_true", help="find line settings and end mark from what arrives")
    parser.add_argument("--baud", type=_as(whole_number(50, 4_000_000)), metavar="N", help="bits/s (default 9600)")
    parser.add_argument("--character", type=_as(character), metavar="8N1", help="bits, parity, stop bits (default 8N1)")
    parser.add_argument("--flow", choices=("none", "rts-cts", "xon-xoff", "dsr-dtr"), default="none")
    parser.add_argument("--dtr", type=_as(yes_or_no), metavar="on|off", help="level of DTR (default: the driver's)")
    parser.add_argument("--rts", type=_as(yes_or_no), metavar="on|off", help="level of RTS")
    parser.add_argument("--for", dest="lasts_ms", type=_as(duration_ms), metavar="TIME",
                        help="end after this time, as in 10s (default: at Ctrl-C); with --probe: how long it may take "
                             "in all (60s)")
    parser.add_argument("--save", type=Path, metavar="FILE", help="keep a capture; never overwrites")
    parser.add_argument("--send", type=_as(_wire), metavar="TEXT",
                        help="with --probe: what a column that must be asked is sent at each try; \\r \\n \\xNN")
    parser.add_argument("--json", action="store_true", help="one object for each read; with --probe one in all")


def run(args: Namespace) -> int:
    if fault := _wrong_together(args):
        print(f"listen: {fault}", file=sys.stderr)
        return 2
    stop = Stop()
    if args.probe:
        return probing.run(args, stop)
    line = settings(args, args.baud or 9600, str(args.character or "8N1"))
    with ExitStack() as held:
        listener = _Listener(args, line, stop)
        listener.open_first()
        held.callback(listener.close)
        if args.save:
            listener.save = held.enter_context(_new_file(args.save))
        try:
            listener.listen()
        except OSError as fault:
            if isinstance(fault, BrokenPipeError):
                raise
            raise StoppedByIO(f"{args.save or 'standard output'}: {fault.strerror}") from fault
    return 0


class _Listener:
    """One line, opened again whenever it is lost; every character that comes is shown once."""

    def __init__(self, args: Namespace, line: LineSettings, stop: Stop):
        self.save: TextIO | None = None
        self._json, self._line, self._stop, self._lasts_ms = args.json, line, stop, args.lasts_ms
        self._port: OpenPort | None = None
        self._since_open: list[Character] = []
        self._bytes = self._bursts = self._errors = 0
        self._last_s: float | None = None

    def open_first(self) -> None:
        """Raises StoppedByIO: a port that can't be had at the start is for the person to see to."""
        try:
            self._port = open_port(self._line.device, self._line)
        except PortLost as lost:
            raise StoppedByIO(lost.cause) from lost

    def close(self) -> None:
        if self._port is not None:
            self._port.close()

    def listen(self) -> None:
        """Until the time is over or a signal comes."""
        self._watch, self._rows = Watch(self._stop, self._lasts_ms), Rows()
        started = Stamps().text(SystemClock.wall_ns())
        self._keep(f"# {plain(self._line.device)}, {self._line}; begun {started}\n# seconds since then, a tab, "
                   "what one read brought; characters with a line error stand as they were received\n")
        if not self._json:
            _say(f"{plain(self._line.device)} at {self._line}; nothing is sent; Ctrl-C ends\n{HEAD}")
        while not self._watch.is_over():
            unmarking = Unmarking(self._port.marked)
            try:
                while not self._watch.is_over():
                    wait_s = self._watch.wait_s(_QUIET_S if self._rows.waiting else _LOOK_S)
                    self._take(read(self._line.device, self._port, self._stop, wait_s), unmarking)
            except PortLost as lost:
                self._reopen(lost.cause)
        self._show(self._rows.end())
        self._summary()

    def _take(self, data: bytes, unmarking: Unmarking) -> None:
        now_s = self._watch.now_s()
        characters = unmarking.feed(data)
        if not characters:
            if not data:
                self._show(self._rows.end())
            return
        gap_s = now_s - (self._last_s if self._last_s is not None else 0.0)
        self._bytes += len(characters)
        self._bursts += self._last_s is None or gap_s >= _BURST_S
        self._errors += sum(one.bad for one in characters)
        self._last_s = now_s
        self._save(now_s, characters)
        if self._json:
            data = _bytes(characters)
            _say_json(seconds=round(now_s, 6), gap=round(gap_s, 6), text=escape(data), hex=data.hex(),
                      errors=[at for at, one in enumerate(characters) if one.bad])
            return
        self._show(self._rows.feed(characters, now_s))
        self._hint(characters)

    def _hint(self, characters: list[Character]) -> None:
        if len(self._since_open) >= _JUDGED:
            return
        self._since_open += characters
        if len(self._since_open) >= _JUDGED and plain_share(self._since_open) < _GARBAGE:
            _say(f"-- looks like wrong settings; try: collector listen {plain(self._line.device)} --probe")

    def _show(self, rows: list[Row]) -> None:
        for row in rows:
            if not self._json:
                _say(str(row))

    def _save(self, now_s: float, characters: list[Character]) -> None:
        bad = [str(at) for at, one in enumerate(characters, start=1) if one.bad]
        told = f"# line error in the next line, character {', '.join(bad)}\n" if bad else ""
        self._keep(told + write_line(now_s, _bytes(characters)))

    def _keep(self, text: str) -> None:
        if self.save is not None:
            self.save.write(text)
            self.save.flush()

    # --- a line that is lost

    def _reopen(self, cause: str) -> None:
        self._show(self._rows.end())
        self._port.close()
        self._port, tries = None, 0
        self._tell("lost", cause)
        while not self._watch.is_over():
            tries += 1
            self._stop.wait(self._watch.wait_s(opener.wait_s(self._line.device, tries)))
            if self._watch.is_over():
                return
            try:
                self._port = open_port(self._line.device, self._line)
            except PortLost as lost:
                if lost.cause != cause:
                    cause = lost.cause
                    self._tell("waiting", cause)
                continue
            self._since_open = []
            self._tell("open", f"{plain(self._line.device)} is open again")
            return

    def _tell(self, event: str, what: str) -> None:
        now_s = self._watch.now_s()
        self._keep(f"# {now_s:.6f} s: {plain(what)}\n")
        if self._json:
            _say_json(seconds=round(now_s, 6), event=event, cause=what)
            return
        _say(f"-- {now_s:.3f} s: {plain(what)}")

    def _summary(self) -> None:
        now_s = self._watch.now_s()
        if self._json:
            _say_json(seconds=round(now_s, 6), event="end", bytes=self._bytes, bursts=self._bursts,
                      line_errors=self._errors)
            return
        _say(f"{self._bytes} bytes in {self._bursts} bursts, {self._errors} line errors, in {now_s:.1f} s")
        if not self._bytes:
            _say(f"Nothing has arrived; check: {CHECK}")


def _wrong_together(args: Namespace) -> str:
    if args.probe and (args.baud or args.character):
        return "--probe finds baud and character itself; leave --baud and --character out"
    if args.probe and args.save:
        return "--probe looks at many settings; keep a capture with --save once they are found"
    if args.send is not None and not args.probe:
        return "--send goes with --probe; without it nothing is ever sent"
    return ""


def _new_file(path: Path) -> TextIO:
    try:
        return open(path, "x", encoding="ascii", newline="\n", errors="backslashreplace")
    except FileExistsError:
        raise StoppedByIO(f"{path} is there already, and is not overwritten; give another name") from None
    except OSError as fault:
        raise StoppedByIO(f"{path} can't be written: {fault.strerror}") from fault


def _bytes(characters: list[Character]) -> bytes:
    return bytes(one.byte for one in characters)


def _say(text: str) -> None:
    print(text, flush=True)


def _say_json(**fields: Any) -> None:
    _say(json.dumps({name.replace("_", "-"): value for name, value in fields.items()}))


def _wire(text: str) -> bytes:
    return unescape(re.sub(r"\\([\\rn])", lambda found: _SHORT.get(found[1], found[0]), text))


def _as(reader: Callable[[str], Any]) -> Callable[[str], Any]:
    """A reader of configuration values, for argparse."""

    def value(text: str) -> Any:
        try:
            return reader(text)
        except ValueError as fault:
            raise ArgumentTypeError("; ".join(str(fault).splitlines())) from None

    return value
