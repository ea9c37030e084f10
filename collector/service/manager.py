"""What the service manager has to do with the daemon: readiness, progress, open devices that outlive it.

Knows: which threads must move for the watchdog to be told; how a port's descriptor is called in the manager's store.
Must not know: the protocol (notify), how a thread works.

A thread that stands still for half the watchdog's time is no progress, and then nothing is told: the manager starts the
program again.  An output that stands still is none of the manager's business: a restart would not bring the share back.
"""

import os
from typing import Any

from collector.clock import Clock
from collector.service.notify import Notifier
from collector.service.opener import Shelf

_PREFIX = "port-"


class ManagerShelf(Shelf):
    """The manager's descriptor store; what was kept for other ports than `names` is given up."""

    def __init__(self, notifier: Notifier, kept: dict[str, int], names: set[str]):
        """`kept`: what the manager has given back, by its own names."""
        super().__init__({name.removeprefix(_PREFIX): fd for name, fd in kept.items()})
        self._notifier = notifier
        for name in [name for name in self.kept if name not in names]:
            os.close(self.kept.pop(name))
            self.give_up(name)

    def keep(self, port: str, fd: int) -> None:
        self._notifier.keep(_PREFIX + port, fd)

    def give_up(self, port: str) -> None:
        self._notifier.give_up(_PREFIX + port)


class Watchdog:
    """Tells the manager that there is progress, while there is."""

    def __init__(self, notifier: Notifier, clock: Clock):
        self._notifier, self._clock, self._next_ns = notifier, clock, 0

    def wait_until_open(self, worker: Any, look_every_s: float = 10) -> None:
        """Until `worker.opened`: a damaged journal is copied to a new file, which may take longer than a start may.
        The manager is asked for more time while `worker.moved_ns` moves."""
        while not worker.opened.wait(look_every_s):
            if self._clock.steady_ns() - worker.moved_ns < 2e9 * look_every_s:
                self._notifier.starting(6 * look_every_s)

    def look(self, movers: tuple[Any, ...], status: str) -> list[str]:
        """Called about once a second by the supervisor, which so proves itself; the names of those that stand still.

        `movers` have `moved_ns`, steady, and `name`.
        """
        limit_ns, now_ns = self._notifier.watchdog_ns, self._clock.steady_ns()
        if not limit_ns or now_ns < self._next_ns:
            return []
        still = [one.name for one in movers if now_ns - one.moved_ns > limit_ns // 2]
        if not still:
            self._next_ns = now_ns + limit_ns // 3
            self._notifier.alive()
            self._notifier.status(status)
        return still
