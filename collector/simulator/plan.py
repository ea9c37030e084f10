"""What is put on a stand-in column, and when: parts, and masters in between.

Knows: the order of parts and masters, their labels, changeovers, the column's zero error and when it is set again.
Must not know: chance (a column, its scanner and its orders go by the same plan), what a line looks like.
"""

from collections.abc import Iterator
from decimal import Decimal

from msgspec import Struct

from collector.simulator.scenario import Column

HOUR_MS = Decimal(3_600_000)


class PutOn(Struct, frozen=True, kw_only=True):
    """A part or a master.  `label`: a text for each name of LABELS, empty where it does not apply."""

    number: int                          # from 1, masters counted
    at_ms: int
    before: int                          # parts that were put on before
    changeovers: int                     # from 1
    label: dict[str, str]
    zero: dict[str, Decimal]             # the column's zero error on each channel

    @property
    def master(self) -> str:
        """The master's name; empty for a part."""
        return self.label["master"]


def put_on(column: Column) -> Iterator[PutOn]:
    """Parts and masters in order, without end."""
    number = parts = 0
    when_set = (0, 0)                    # parts put on, and ms, when the column was set last
    while True:
        due = column.masters and parts % column.masters.every == 0
        for _ in range(2 if due else 0):
            beyond = False
            for master in column.masters.sizes:
                number += 1
                one = _put(column, number, parts, when_set, master)
                beyond |= _is_beyond(column, one)
                yield one
            if not beyond:
                break
            when_set = (parts, one.at_ms)
        number += 1
        yield _put(column, number, parts, when_set)
        parts += 1


def _put(column: Column, number: int, before: int, when_set: tuple[int, int], master: str = "") -> PutOn:
    at_ms = max((one.ahead for one in column.beside), default=0) + (number - 1) * column.every
    if column.pause:
        at_ms += (number - 1) // column.pause.every * column.pause.for_
    changeovers = before // column.changeover.every + 1 if column.changeover else 1
    parts, at_set_ms = when_set
    zero = {name: one.zero_drift * (at_ms - at_set_ms) / HOUR_MS + one.zero_wear * (before - parts)
            for name, one in column.channels.items()}
    return PutOn(number=number, at_ms=at_ms, before=before, changeovers=changeovers, zero=zero,
                 label=_label(column, before, changeovers, master))


def _label(column: Column, before: int, changeovers: int, master: str) -> dict[str, str]:
    labels, part = column.labels, column.labels.part or ""
    if column.changeover:
        names = list(column.changeover.parts)
        part = names[(changeovers - 1) % len(names)]
    serial = labels.serial.fill(count=before + 1).decode() if labels.serial and not master else ""
    lot = labels.lot.fill(count=changeovers).decode() if labels.lot else ""
    return {"serial": serial, "lot": lot, "part": part, "operator": labels.operator or "", "master": master,
            "kind": column.kinds.master if master else column.kinds.part}


def _is_beyond(column: Column, one: PutOn) -> bool:
    most = column.masters.rezero_beyond
    return most is not None and any(abs(column.channels[name].error(size, one.zero[name])) > most
                                    for name, size in column.masters.sizes[one.master].items())
