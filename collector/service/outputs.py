"""Supervision of the output processes: start, wake, start again, stop.

Knows: one process an output, told its settings in one line on standard input; a byte there wakes it, the end of the
input stops it.  A process that hangs is never waited for beyond the stop's deadline.
Must not know: what an output does with records.
"""

import json
import os
import secrets
import subprocess
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path

import structlog

from collector.clock import Clock
from collector.config.plan import OutputPlan

log = structlog.get_logger()

_FIRST_WAIT_S, _LONGEST_WAIT_S = 0.5, 10.0
_SOUND_NS = 5_000_000_000
"""One that has run for so long was begun well: after its end the next one is begun soon."""
_DYING_NS = 300_000_000


class OutputProcess:
    """One output's process, started again whenever it ends on its own."""

    def __init__(self, plan: OutputPlan, site: str, state: Path, clock: Clock, adopt: bool = False):
        self.plan = plan
        self.starts = 0
        self._clock = clock
        self._order = {"name": plan.name, "kind": plan.kind, "site": site, "state": str(state),
                       "adopt": secrets.token_hex(8) if adopt else "",      # the same at each start: followed once
                       "settings": plan.settings.model_dump(mode="json", by_alias=True, exclude_unset=True)}
        self._running: subprocess.Popen | None = None
        self._pipe = threading.Lock()                  # a closed descriptor's number may be another file's already
        self._wait_s, self._start_at_ns, self._started_ns = _FIRST_WAIT_S, 0, 0

    def look(self) -> None:
        """Start it if it is not running and its time has come.  Called about once a second."""
        now = self._clock.steady_ns()
        if self._running is not None:
            code = self._running.poll()
            if code is None:
                if now - self._started_ns > _SOUND_NS:
                    self._wait_s = _FIRST_WAIT_S
                return
            log.error("output-ended", output=self.plan.name, code=code, again_in_s=self._wait_s)
            self._close_input()
            self._running = None
            self._later()
        if now >= self._start_at_ns:
            self._start()

    def _later(self) -> None:
        self._start_at_ns = self._clock.steady_ns() + int(self._wait_s * 1e9)
        self._wait_s = min(self._wait_s * 2, _LONGEST_WAIT_S)

    def _start(self) -> None:
        order = json.dumps(self._order).encode() + b"\n"
        try:
            child = subprocess.Popen([sys.executable, "-m", "collector.service.output_runner"],
                                     stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, start_new_session=True)
        except OSError as error:                       # no descriptor, no memory: now
            log.error("output-not-started", output=self.plan.name, cause=error.strerror, again_in_s=self._wait_s)
            return self._later()
        self.starts += 1
        with suppress(BrokenPipeError):                # it has ended already: look() will see to it
            child.stdin.write(order)
            child.stdin.flush()
            os.set_blocking(child.stdin.fileno(), False)
        self._started_ns = self._clock.steady_ns()
        self._running = child                          # from here on it may be woken: nothing comes before its order

    def wake(self) -> None:
        """Tell it that records were committed; a full pipe means that it has been told.
        Called by the threads that commit."""
        with self._pipe, suppress(BlockingIOError, BrokenPipeError):
            if self._running is not None and not self._running.stdin.closed:
                os.write(self._running.stdin.fileno(), b".")

    def let_go(self) -> None:
        """Ask it to deliver what waits and end."""
        self._close_input()

    def end(self, deadline_ns: int) -> bool:
        """Wait for its end, kill it shortly before the deadline.  False: it hangs even so and is left behind."""
        if self._running is None:
            return True
        for until_ns, least_s, act in ((deadline_ns - _DYING_NS, 0.0, self._running.kill), (deadline_ns, 0.05, None)):
            try:
                self._running.wait(max(least_s, (until_ns - time.monotonic_ns()) / 1e9))
                return True
            except subprocess.TimeoutExpired:
                if act:
                    log.error("output-killed", output=self.plan.name)
                    act()
        log.error("output-hangs", output=self.plan.name, pid=self._running.pid)
        return False

    def _close_input(self) -> None:
        with self._pipe, suppress(OSError):
            if self._running is not None:
                self._running.stdin.close()
