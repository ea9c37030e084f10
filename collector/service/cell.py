"""What all ports of a cell share: the context in force, the parts that are being made, the memory of masters.

Knows: how a change of context, a derived size and a finished part become records.
Must not know: frames, devices, the journal, threads.
"""

from decimal import Decimal
from typing import Any

import structlog

from collector.clock import Stamps
from collector.config.plan import Plan
from collector.journal import Row
from collector.measuring.assembly import Assembly, Got, Piece, derive, overall
from collector.measuring.characteristic import Characteristic
from collector.measuring.context import FIELDS, Context, Gone, Source
from collector.measuring.units import EXACT
from collector.record import detail, number
from collector.service.judged import compared, judged
from collector.service.memory import Memory
from collector.service.numbering import Numbering

log = structlog.get_logger()

EVENT, DERIVED, PART = "event", "derived", "part"
CARRIED = ("serial", "lot", "operator")
"""What a record takes over from the context as it is."""


class Cell:
    """Shared by the pipelines of all ports; used by the worker thread alone."""

    def __init__(self, plan: Plan, numbering: Numbering, memory: Memory):
        self.numbering, self.memory = numbering, memory
        self.stamp = Stamps().text
        self._kept: dict[str, str | None] = {}
        self._set(plan)

    def take(self, plan: Plan) -> None:
        """From here on, another configuration; what is remembered stays."""
        self._kept = self.changed()
        self._set(plan)

    def _set(self, plan: Plan) -> None:
        self.plan = plan
        self.context = Context(self.memory.fields, plan.sources, self._users)
        self.assembly = Assembly(plan.parts, self.memory.pieces)

    def changed(self) -> dict[str, str | None]:
        """What is to be kept with the next commit, by key; None: no longer."""
        found = self._kept | self.memory.changed(self.context.touched, self.assembly.touched)
        self._kept, self.context.touched = {}, False
        self.assembly.touched.clear()
        return found

    def event(self, event: str, wall_ns: int, port: str = "", fields: dict[str, str] | None = None, raw: str = "",
              **more: Any) -> Row:
        """An event as a row; `fields` are fields of the record, `more` stands in its detail."""
        return self.numbering.row(EVENT, wall_ns, port=port, raw=raw, detail=detail({"event": event, **more}),
                                  **(fields or {}))

    # --- context

    def put(self, source: str, said: dict[str, str], wall_ns: int, port: str = "", raw: str = "",
            **more: str) -> list[Row]:
        """A label or an order was read: the rows that this makes; none where the source may set nothing of it."""
        one = self.context.sources[source]
        before = self._parts_in_force(one)
        given = self.context.put(one, said)
        if not given:
            return []
        rows = [row for part in before - self._parts_in_force(one) for piece in self.assembly.leave(part)
                for row in self._closed(piece, wall_ns)]
        fields = {field: text for field, text in given.items() if text and field in (*CARRIED, "part")}
        return [*rows, self.event("context", wall_ns, port, fields, raw, source=source, sets=given,
                                  ports=list(one.ports), **more)]

    def used(self, port: str, channel: str, part: str, master: str, wall_ns: int) -> list[Row]:
        """A channel has made its measurement: what of the context that uses up."""
        return [self._gone(gone, wall_ns) for gone in self.context.use(port, channel, part, master)]

    def _gone(self, gone: Gone, wall_ns: int) -> Row:
        return self.event("context", wall_ns, source=gone.source, ends=list(gone.fields), ports=list(gone.ports),
                          why="used")

    def _parts_in_force(self, source: Source) -> set[str]:
        held = [self.memory.fields.ports.get(port, {}).get("part") for port in source.ports]
        return {one.text for one in held if one}

    def _users(self, part: str, master: str) -> list[str]:
        ones = self.plan.characteristics
        if master:
            return [one.channel for one in ones if any(each.name == master for each in one.masters)]
        known = {one.part for one in ones}
        wanted = part or (next(iter(known)) if len(known) == 1 else "")
        return [one.channel for one in ones if one.part == wanted and one.channel]

    # --- the part

    def follow(self, one: Characteristic, seq: int, value: Decimal | None, verdict: str, flags: tuple[str, ...],
               said: dict[str, str], wall_ns: int) -> list[Row]:
        """What a measurement brings about for its part: sizes derived from it, a part complete or given up.

        Whatever goes wrong here costs these, never the measurement itself.
        """
        first = self.numbering.next_seq
        try:
            return self._followed(one, Got(self.numbering.id(seq), value, one.unit, verdict, flags), said, wall_ns)
        except Exception as error:
            log.exception("internal-fault", part=one.part, characteristic=one.name)
            self.numbering.next_seq = first
            return [self.event("internal", wall_ns, why=f"{type(error).__name__} at part {one.part}; see the log")]

    def tick(self, wall_ns: int) -> list[Row]:
        """The parts whose time is over."""
        return [row for piece in self.assembly.overdue(wall_ns) for row in self._closed(piece, wall_ns)]

    def _followed(self, one: Characteristic, got: Got, said: dict[str, str], wall_ns: int) -> list[Row]:
        ended, piece = self.assembly.add(one.part, one.name, got, said, wall_ns)
        rows = self._closed(ended, wall_ns) if ended else []
        if piece is None:
            return rows
        while ready := self.assembly.derivable(piece):
            for derived in ready:
                rows.append(self._derived(derived, piece, said, wall_ns))
        if not self.assembly.missing(piece):
            rows += self._closed(self.assembly.close(piece), wall_ns)
        return rows

    def _derived(self, one: Characteristic, piece: Piece, said: dict[str, str], wall_ns: int) -> Row:
        value = derive(one, piece)
        inputs = [piece.got[name] for name in one.expression.names]
        more: dict[str, Any] = {"from": one.expression.text,
                                "inputs": {name: piece.got[name].id for name in one.expression.names}}
        fields = judged(one, value, more)
        if one.nominal is not None:
            fields["deviation"] = number(EXACT.subtract(value, one.nominal))
        flags = _all_flags(inputs)
        seq = self.numbering.next_seq
        carried = {key: said[key] for key in CARRIED if key in said}
        row = self.numbering.row(DERIVED, wall_ns, value=number(value), unit=one.unit.value, flags=flags,
                                 detail=detail(more), **carried, **compared(one), **fields)
        self.assembly.add(one.part, one.name, Got(self.numbering.id(seq), value, one.unit, fields["verdict"], flags),
                          said, wall_ns)
        return row

    def _closed(self, piece: Piece, wall_ns: int) -> list[Row]:
        """The record of a part that is over; of one that the configuration no longer has, an event."""
        if piece.part not in self.assembly.plans:
            return [self.event("part-unknown", wall_ns, fields={"part": piece.part},
                               readings={name: got.id for name, got in piece.got.items()})]
        missing = self.assembly.missing(piece)
        more: dict[str, Any] = {"readings": {name: got.id for name, got in piece.got.items()},
                                "verdicts": {name: got.verdict for name, got in piece.got.items() if got.verdict}}
        if missing:
            more["missing"] = missing
        fields = {key: text for key, text in (*piece.said.items(), ("serial", piece.serial)) if text}
        rows = [self.numbering.row(PART, wall_ns, part=piece.part, verdict=overall(piece, missing),
                                   flags=_all_flags(piece.got.values()), detail=detail(more), **fields)]
        return rows + [self._gone(gone, wall_ns) for gone in self.context.used_up(piece.part, piece.serial)]


def fields_of_context(said: dict[str, str]) -> dict[str, str]:
    """What a label says of the fields that a context has."""
    return {field: said[field] for field in FIELDS if field in said}


def _all_flags(gots: Any) -> tuple[str, ...]:
    return tuple(sorted({flag for got in gots for flag in got.flags}))
