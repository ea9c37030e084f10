"""The part: which readings belong to one and the same, what can be derived from them, when all are in.

Knows: with a serial, readings belong together by it; without one, by time, and a characteristic that comes again
begins the next part.
Must not know: records, where readings come from, how a derived size is judged.  A `Piece` is plain data.
"""

from decimal import Decimal
from fractions import Fraction

from msgspec import Struct

from collector.measuring.characteristic import Characteristic
from collector.measuring.expression import finite
from collector.measuring.judge import FAIL, PASS, UNDECIDED
from collector.measuring.units import Unit, ratio

WITH_SERIAL_NS = 8 * 3_600_000_000_000
"""How long after its last reading a part with a serial is waited for."""

MOST_OPEN = 10_000
"""Parts begun and not complete; beyond this the oldest is given up."""


class Got(Struct, frozen=True):
    """One reading of a part: its record's id, what it was, in its unit; `flags` as on the record."""

    id: str
    value: Decimal | None
    unit: Unit
    verdict: str = ""
    flags: tuple[str, ...] = ()


class Piece(Struct, eq=False):
    """One part that has been begun; `said` holds lot and operator as its last reading knew them."""

    part: str
    serial: str
    began_ns: int
    last_ns: int
    got: dict[str, Got] = {}
    said: dict[str, str] = {}


class PartPlan(Struct, frozen=True):
    """A part's characteristics by name, and how long its readings belong together without a serial."""

    characteristics: dict[str, Characteristic]
    within_ns: int


class Assembly:
    """All parts that are begun.  A part with one characteristic only is its reading, and is not followed here."""

    def __init__(self, plans: dict[str, PartPlan], pieces: dict[str, Piece]):
        self.plans = {name: plan for name, plan in plans.items() if len(plan.characteristics) > 1}
        self.pieces = pieces
        self.touched: set[str] = set()

    def add(self, part: str, name: str, got: Got, said: dict[str, str],
            wall_ns: int) -> tuple[Piece | None, Piece | None]:
        """A reading of a part: (the part that it ends unfinished, the part that it belongs to).  None: not followed."""
        if part not in self.plans:
            return None, None
        serial, ended = said.get("serial", ""), None
        piece = self.pieces.get(_key(part, serial))
        if piece is not None and self._is_next(piece, name, wall_ns):
            ended, piece = self.close(piece), None
        if piece is None:
            if len(self.pieces) >= MOST_OPEN:
                ended = self.close(min(self.pieces.values(), key=lambda one: one.last_ns))
            piece = self.pieces[_key(part, serial)] = Piece(part, serial, wall_ns, wall_ns)
        for other in self._derived_from(piece, name):
            piece.got.pop(other, None)
        piece.got[name] = got
        piece.last_ns = wall_ns
        piece.said = {field: said[field] for field in ("lot", "operator") if field in said}
        self.touched.add(_key(part, serial))
        return ended, piece

    def derivable(self, piece: Piece) -> list[Characteristic]:
        """What can be derived now and has not been."""
        return [one for name, one in self.plans[piece.part].characteristics.items() if one.expression
                and name not in piece.got and all(_usable(piece, other) for other in one.expression.names)]

    def missing(self, piece: Piece) -> list[str]:
        """The characteristics that are not in, in the order of the configuration."""
        return [name for name in self.plans[piece.part].characteristics if name not in piece.got]

    def close(self, piece: Piece) -> Piece:
        """The part is over, complete or not."""
        key = _key(piece.part, piece.serial)
        self.pieces.pop(key, None)
        self.touched.add(key)
        return piece

    def leave(self, part: str) -> list[Piece]:
        """The part number in force has changed: a piece of the old one without a serial gets no more readings."""
        piece = self.pieces.get(_key(part, ""))
        return [self.close(piece)] if piece else []

    def overdue(self, wall_ns: int) -> list[Piece]:
        """The parts whose time is over, the oldest first."""
        over = [piece for piece in self.pieces.values() if wall_ns >= self._ends_ns(piece)]
        return [self.close(piece) for piece in sorted(over, key=lambda piece: piece.began_ns)]

    def due_ns(self) -> int | None:
        """Wall time at which the first open part is over."""
        return min(map(self._ends_ns, self.pieces.values()), default=None)

    def _ends_ns(self, piece: Piece) -> int:
        if piece.serial:
            return piece.last_ns + WITH_SERIAL_NS
        plan = self.plans.get(piece.part)
        return piece.began_ns + (plan.within_ns if plan else 0)

    def _is_next(self, piece: Piece, name: str, wall_ns: int) -> bool:
        return wall_ns >= self._ends_ns(piece) or not piece.serial and name in piece.got

    def _derived_from(self, piece: Piece, name: str) -> list[str]:
        """The derived characteristics that rest on this one, those that rest on them included."""
        resting = [name]
        for below in resting:                          # grows while it is walked
            resting += [other for other, one in self.plans[piece.part].characteristics.items()
                        if one.expression and below in one.expression.names and other not in resting]
        return resting[1:]


def derive(one: Characteristic, piece: Piece) -> Decimal:
    """The derived size in its unit: exact, an endless quotient rounded once."""
    used = {name: piece.got[name] for name in one.expression.names}
    inputs = {name: Fraction(got.value) * ratio(got.unit, one.unit) for name, got in used.items()}
    return finite(one.expression.evaluate(inputs), one.step)


def overall(piece: Piece, missing: list[str]) -> str:
    """`fail` if any reading fails; `undecided` if any is, or any is missing; else `pass`; empty if none was judged."""
    verdicts = {got.verdict for got in piece.got.values()} - {""}
    if FAIL in verdicts:
        return FAIL
    if UNDECIDED in verdicts or verdicts and missing:
        return UNDECIDED
    return PASS if verdicts else ""


def _usable(piece: Piece, name: str) -> bool:
    return name in piece.got and piece.got[name].value is not None


def _key(part: str, serial: str) -> str:
    return f"{part}\n{serial}"
