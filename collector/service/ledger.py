"""The ledger: what came in, what became of it, what was kept; counted so that nothing can be missing unseen.

For each port, since its journal was made:

    bytes = in frames + marks + discarded + lost + waiting           frames = read + unread

marks: bytes that bound frames; discarded: of over-long frames; lost: of a frame that was unfinished when the program
was killed; waiting: of the frame that is unfinished now.  read: frames that said something, be it a reading, an
over-range, a mark or a label (a frame of several readings may give unread records besides).  `kinds`: records by kind,
`gone`: those of them that are no longer in the journal (delivered and old, or left in a file that was set aside); those
of no port stand under the port "".

Knows: the counts, and which of them must be equal.
Must not know: how bytes become frames, where the counts are kept.
"""

from collections import Counter
from collections.abc import Iterable
from operator import attrgetter

from msgspec import Struct, structs

from collector.frames.framer import Framer
from collector.journal import Row
from collector.service.tally import Tally


UNKNOWN = "unknown"
_PORT_AND_KIND = attrgetter("port", "kind")


class Account(Struct, omit_defaults=True):
    """The counts of one port, as they are kept in the journal with the records that they count."""

    bytes: int = 0
    in_frames: int = 0
    marks: int = 0
    discarded: int = 0
    lost: int = 0
    waiting: int = 0
    frames: int = 0
    read: int = 0
    unread: int = 0
    kinds: dict[str, int] = {}
    gone: dict[str, int] = {}

    def faults(self) -> list[str]:
        """Which equations do not hold, with their figures."""
        found = []
        out = self.in_frames + self.marks + self.discarded + self.lost + self.waiting
        if self.bytes != out:
            found.append(f"{self.bytes} bytes came in, {out} are accounted for (in frames {self.in_frames}, "
                         f"marks {self.marks}, discarded {self.discarded}, lost {self.lost}, waiting {self.waiting})")
        if self.frames != self.read + self.unread:
            found.append(f"{self.frames} frames, but {self.read} read and {self.unread} unread")
        if self.unread > self.kinds.get("unread", 0):
            found.append(f"{self.unread} frames unread, but only {self.kinds.get('unread', 0)} records of kind unread")
        return found


class Meter:
    """Reads what one pipeline has counted since it was read last."""

    def __init__(self, framer: Framer, tally: Tally):
        self._framer, self._tally = framer, tally
        self._before = self._now()

    def read(self, account: Account) -> bool:
        """Add what has been counted; whether that was anything."""
        now, before, waiting = self._now(), self._before, self._framer.waiting
        if now == before and account.waiting == waiting:
            return False
        account.bytes += now[0] - before[0]
        account.in_frames += now[1] - before[1]
        account.marks += now[2] - before[2]
        account.discarded += now[3] - before[3]
        account.frames += now[4] - before[4]
        account.read += now[5] - before[5]
        account.unread += now[6] - before[6]
        account.waiting, self._before = waiting, now
        return True

    def _now(self) -> tuple[int, ...]:
        framer, tally = self._framer, self._tally
        return tally.bytes, framer.taken, framer.marks, framer.discarded, tally.frames, tally.read, tally.not_read


class Ledger:
    """The accounts of all ports.  `touched`: those that have changed since they were kept last."""

    def __init__(self, accounts: dict[str, Account]):
        self.accounts = accounts
        self.touched: set[str] = set()

    def account(self, port: str) -> Account:
        """The account of a port, opened at its first use."""
        found = self.accounts.get(port)
        return self.accounts.setdefault(port, Account()) if found is None else found

    def read(self, port: str, meter: Meter) -> None:
        """Count what came in on a port."""
        if meter.read(self.account(port)):
            self.touched.add(port)

    def count(self, rows: Iterable[Row]) -> None:
        """Count records that are about to be committed."""
        for (port, kind), times in Counter(map(_PORT_AND_KIND, rows)).items():
            kinds = self.account(port).kinds
            kinds[kind] = kinds.get(kind, 0) + times
            self.touched.add(port)

    def after_trim(self, gone: Counter[tuple[str, str]]) -> dict[str, Account]:
        """The accounts that change when these records are deleted from the journal; nothing is changed here."""
        found = {port: structs.replace(self.account(port), gone=dict(self.account(port).gone)) for port, _ in gone}
        for (port, kind), times in gone.items():
            found[port].gone[kind] = found[port].gone.get(kind, 0) + times
        return found

    def settle(self, there: Counter[tuple[str, str]], last: int) -> None:
        """A new journal file was begun: `there` is what it holds, `last` the seq used last.  The others are gone; what
        no account is left of is of a kind unknown."""
        for port in {*self.accounts, *(port for port, _ in there)}:
            account = self.account(port)
            found = {kind: times for (name, kind), times in there.items() if name == port}
            account.kinds = {kind: max(account.kinds.get(kind, 0), found.get(kind, 0))
                             for kind in {**account.kinds, **found}}
            account.gone = {kind: times - found.get(kind, 0)
                            for kind, times in account.kinds.items() if times > found.get(kind, 0)}
            self.touched.add(port)
        missing = last - sum(sum(account.kinds.values()) for account in self.accounts.values())
        if missing > 0:
            account = self.account("")
            for counts in (account.kinds, account.gone):
                counts[UNKNOWN] = counts.get(UNKNOWN, 0) + missing
            self.touched.add("")

    def lose_waiting(self, port: str) -> int:
        """What was waiting of a frame when the program was killed is lost: how many bytes."""
        account = self.accounts.get(port)
        if account is None or not account.waiting:
            return 0
        lost, account.lost, account.waiting = account.waiting, account.lost + account.waiting, 0
        self.touched.add(port)
        return lost

    def as_dict(self) -> dict[str, dict]:
        """For `status`."""
        return {port: structs.asdict(account) for port, account in list(self.accounts.items())}
