"""What a port owes: a frame within `silent`, and to each request an answer within its `timeout`.

Knows: when something is overdue, and what is to be done about it (ask again, connect again).
Must not know: who asks or connects, records, the journal.

A column is asked at its own times, whatever it answers; an answer that does not come is asked for once more at once.
Any frame is an answer; one that nothing was asked for any more came late.
"""

from msgspec import Struct

from collector.config.plan import PortPlan
from collector.ports import is_network
from collector.service.tally import Tally

SILENT, HEARD, UNANSWERED, ANSWERED = "silent", "heard-again", "unanswered", "answered-again"


class Overdue(Struct, frozen=True):
    """What has become overdue: `event` to be told, or empty; whether to ask or to connect again; `since_ns`: steady."""

    event: str
    since_ns: int
    ask: bool = False
    connect: bool = False


class Expected:
    """Of one port; times are steady, in ns."""

    def __init__(self, plan: PortPlan, tally: Tally):
        self._tally = tally
        self._is_open = False
        self._heard_ns = 0                   # the last frame, else when the port was opened
        self._framed_ns = 0                  # the last frame, else when the port was opened first
        self._silent_due_ns: int | None = None
        self._asked_ns = 0
        self._answer_due_ns: int | None = None
        self._asked_again = False
        self._unanswered = 0                 # in a row
        self.take(plan)

    def take(self, plan: PortPlan) -> None:
        """From here on, another configuration of the same port."""
        self._silent_ns = (plan.silent_ms or 0) * 1_000_000
        self._timeout_ns = plan.request.timeout_ms * 1_000_000 if plan.request else 0
        self._network = is_network(plan.line.device)
        self._listen_from(self._heard_ns)
        if not plan.silent_ms:
            self._tally.silent = False
        if not plan.request:
            self._answer_due_ns = None

    @property
    def due_ns(self) -> int | None:
        """When `tick` would find something overdue."""
        due = [at for at in (self._silent_due_ns, self._answer_due_ns) if at is not None]
        return min(due) if due else None

    def opened(self, steady_ns: int) -> None:
        self._is_open, self._heard_ns, self._framed_ns = True, steady_ns, self._framed_ns or steady_ns
        self._listen_from(steady_ns)

    def closed(self) -> None:
        """That it is closed is told already; what was asked of it goes unanswered."""
        self._is_open, self._asked_again, self._silent_due_ns, self._answer_due_ns = False, False, None, None

    def asked(self, steady_ns: int, has_answered: bool = False) -> list[Overdue]:
        """The column was asked just now: what is to be told of the answer that has not come to the request before.
        `has_answered`: one has come, though its frame is not ended yet."""
        if not self._timeout_ns:             # asked under the configuration before
            return []
        self._tally.asked += 1
        found = []
        if self._answer_due_ns is not None and not has_answered:
            found = [] if self._unanswered else [Overdue(UNANSWERED, self._asked_ns)]
            self._miss()
        self._asked_ns, self._answer_due_ns = steady_ns, steady_ns + self._timeout_ns
        return found

    def framed(self, frames: int, steady_ns: int) -> list[tuple[str, dict]]:
        """So many frames have come: what is to be told of it, with its figures."""
        told: list[tuple[str, dict]] = []
        if self._tally.silent:
            self._tally.silent = False
            told.append((HEARD, {"seconds": (steady_ns - self._framed_ns) // 1_000_000_000}))
        self._heard_ns = self._framed_ns = steady_ns
        self._listen_from(steady_ns)
        if not self._timeout_ns:
            return told
        self._tally.late += frames - (self._answer_due_ns is not None)
        self._answer_due_ns, self._asked_again = None, False
        if self._unanswered:
            told.append((ANSWERED, {"unanswered": self._unanswered}))
            self._unanswered = 0
        return told

    def tick(self, now_ns: int) -> list[Overdue]:
        """What is overdue by now."""
        found = []
        if self._answer_due_ns is not None and self._answer_due_ns <= now_ns:
            self._answer_due_ns = None
            first = self._unanswered == 0
            self._miss()
            found.append(Overdue(UNANSWERED if first else "", self._asked_ns, ask=not self._asked_again))
            self._asked_again = not self._asked_again
        if self._silent_due_ns is not None and self._silent_due_ns <= now_ns:
            self._silent_due_ns = now_ns + self._silent_ns
            found.append(Overdue("" if self._tally.silent else SILENT, self._heard_ns, connect=self._network))
            self._tally.silent = True
        return found

    def _miss(self) -> None:
        self._unanswered += 1
        self._tally.unanswered += 1

    def _listen_from(self, steady_ns: int) -> None:
        self._silent_due_ns = steady_ns + self._silent_ns if self._silent_ns and self._is_open else None
