"""A port as `listen` reads it: until a signal, a time, or the line's end.

Knows: waiting for bytes and for Ctrl-C at once, the settings that the command line gives.
Must not know: what is done with the bytes.
"""

import os
import select
import signal
import time
from argparse import Namespace

from collector.errors import PortLost
from collector.ports import LineSettings, OpenPort

READ_BYTES = 65536


class Stop:
    """SIGINT and SIGTERM end a wait; `asked` says whether one has come."""

    def __init__(self) -> None:
        self.asked = False
        self.wake, waken = os.pipe()
        os.set_blocking(waken, False)
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, self._ask)
        signal.set_wakeup_fd(waken, warn_on_full_buffer=False)

    def _ask(self, number: int, frame: object) -> None:
        self.asked = True

    def wait(self, seconds: float) -> None:
        """Wait so long, or until a signal."""
        if not self.asked:
            select.select([self.wake], [], [], max(0.0, seconds))


class Watch:
    """Seconds since the command began, and whether its time is over."""

    def __init__(self, stop: Stop, lasts_ms: int | None):
        self._begun, self._stop = time.monotonic(), stop
        self._ends_s = float("inf") if lasts_ms is None else lasts_ms / 1000

    def now_s(self) -> float:
        return time.monotonic() - self._begun

    def is_over(self) -> bool:
        return self._stop.asked or self.now_s() >= self._ends_s

    def wait_s(self, most_s: float) -> float:
        """How long a wait may last: at most `most_s`, and not beyond the end."""
        return max(0.0, min(most_s, self._ends_s - self.now_s()))


def read(device: str, port: OpenPort, stop: Stop, wait_s: float) -> bytes:
    """What one read brings; empty after `wait_s` without anything, or at a signal.  Raises PortLost."""
    if stop.asked or port.fd not in select.select([port.fd, stop.wake], [], [], wait_s)[0]:
        return b""
    try:
        data = os.read(port.fd, READ_BYTES)
    except BlockingIOError:
        return b""
    except OSError as fault:
        raise PortLost(device, port.explain(fault)) from fault
    if not data:
        raise PortLost(device, port.explain(None))
    return data


def settings(args: Namespace, baud: int, character: str) -> LineSettings:
    """The line at these settings, `character` as in 8N1; the rest as the command line says."""
    return LineSettings(device=args.device, baud=baud, bits=int(character[0]), parity=character[1], stop=character[2:],
                        flow=args.flow, dtr=args.dtr, rts=args.rts)
