"""The process of one output: `python -m collector.service.output_runner`.

Standard input is told, by the daemon:
  first, one line of JSON: `name`, `kind`, `settings` (as configured; times in milliseconds), `site`, `state` (the state
  folder), `adopt` (a word: a person says that the folder is really a new one; empty: nobody does);
  then a byte, any byte, for each time that records were committed: look at the journal (it looks each second anyway);
  at last its end: deliver what waits, at most 2 s, and exit 0.
Standard output stays empty, the log goes to standard error.  Exit 74: something that only a person can put right.
SIGINT and SIGTERM are for the daemon, which then closes the pipe; both are ignored here.

Knows: how the pieces of delivery are put together.
Must not know: what they do.
"""

import importlib
import json
import os
import signal
import sys
import threading
from pathlib import Path
from types import ModuleType
from typing import Any

import structlog

from collector.clock import SystemClock
from collector.errors import CollectorError, StoppedByIO
from collector.files import Files
from collector.journal import JournalReader
from collector.logs import configure
from collector.outputs import OUTPUTS
from collector.outputs.cursor import Cursor, lock_output
from collector.outputs.delivery import Delivery, Signals
from collector.outputs.health import Health
from collector.outputs.refused import Refused

log = structlog.get_logger()


def main() -> int:
    """Run one output until standard input ends.  Returns the exit code."""
    configure()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)
    order = _first_line()
    if order is None:
        return 0                                            # the daemon has ended before it said anything
    signals = Signals(threading.Event(), threading.Event())
    threading.Thread(target=_listen, args=(signals,), name="listen", daemon=True).start()
    state, name = Path(order["state"]), order["name"]
    try:
        lock_output(state, name, Files(), signals.stop.is_set)
        _deliver(order, state, name, signals)
    except CollectorError as error:
        log.error("output-stopped", output=name, cause=str(error))
        return error.exit_code
    return 0


def _deliver(order: dict[str, Any], state: Path, name: str, signals: Signals) -> None:
    files, clock = Files(), SystemClock()
    health = Health(state, name, clock)
    try:
        module = _code_of(order["kind"])
        settings = module.Settings.model_validate(order["settings"])
        reader = JournalReader.open(state)
        cursor = Cursor.open(state, name, reader.name, reader.last(), files)
        output = module.build(name, order["site"], settings, cursor, files)
        if hasattr(output, "recall"):                       # it shows what is so now: it may look back, and around
            output.recall(state, reader)
        Delivery(name, settings.kinds, output, reader, cursor, Refused(state, name, files), health, signals, clock,
                 adopt=order.get("adopt", "")).run()
        reader.close()
    except CollectorError as error:
        health.down(str(error), 1)
        health.write()
        raise


def _code_of(kind: str) -> ModuleType:
    """The module of an output kind.  Raises StoppedByIO where its code can't be read now, as on a disk that fails."""
    try:
        return importlib.import_module(OUTPUTS[kind])
    except OSError as error:
        raise StoppedByIO(f"the program's own files can't be read: {error.strerror}") from error


def _first_line() -> dict[str, Any] | None:
    said = b""
    while b"\n" not in said:
        more = os.read(0, 65536)
        if not more:
            return None
        said += more
    return json.loads(said.partition(b"\n")[0])


def _listen(signals: Signals) -> None:
    while os.read(0, 65536):
        signals.wake.set()
    signals.stop.set()
    signals.wake.set()


if __name__ == "__main__":
    sys.exit(main())
