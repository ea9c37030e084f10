"""Which lines are quiet: a look that began long enough after something came found nothing.

Knows: when at the latest something came on a port, for how long it must be quiet for that to be told.
Must not know: ports, who looks, what being quiet means.

How far apart two reads are says nothing: what is read late, by a reader that was held up, may have come early.
"""

from collections.abc import Iterable


class Quiet:
    """Used by one thread.  Times are steady, in ns."""

    def __init__(self) -> None:
        self._after_ns: dict[str, int] = {}
        self._heard_ns: dict[str, int] = {}  # of those whose being quiet is still to be told

    def watch(self, port: str, after_ns: int) -> None:
        """From now on; 0: not."""
        self.forget(port)
        if after_ns:
            self._after_ns[port] = after_ns

    def forget(self, port: str) -> None:
        self._after_ns.pop(port, None)
        self._heard_ns.pop(port, None)

    def heard(self, port: str, now_ns: int) -> None:
        """Something came on a port, at the latest now."""
        if port in self._after_ns:
            self._heard_ns[port] = now_ns

    def held_up(self, now_ns: int) -> None:
        """Nothing is read for now: whatever waits may have come at any time until now."""
        self._heard_ns = dict.fromkeys(self._heard_ns, now_ns)

    @property
    def due_ns(self) -> int | None:
        """When a look should begin next; None: nothing came."""
        return min((at + self._after_ns[port] for port, at in self._heard_ns.items()), default=None)

    def found_nothing(self, looked_ns: int, ports: Iterable[str] | None = None) -> list[str]:
        """A look that began then found nothing on these ports (None: on any that was not `heard` since): those that are
        quiet by it, each told once."""
        found = [port for port in (self._heard_ns if ports is None else ports)
                 if port in self._heard_ns and looked_ns - self._heard_ns[port] >= self._after_ns[port]]
        for port in found:
            del self._heard_ns[port]
        return found
