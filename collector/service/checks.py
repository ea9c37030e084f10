"""A reading of a master as records: the check itself, the gain of two masters,
and the readings that a failure puts in doubt.

Knows: which of a characteristic's masters is meant; what each of these records says.
Must not know: how a check is judged (measuring), frames.
"""

from decimal import Decimal
from typing import TYPE_CHECKING, Any

from collector.journal import Row
from collector.measuring.characteristic import Master
from collector.measuring.masters import Gain, Suspect, Verdict
from collector.measuring.normalise import Measured
from collector.record import SentTime, detail, number
from collector.service.aim import Aim

if TYPE_CHECKING:
    from collector.service.circuits import Circuits

MASTER, SUSPECT = "master", "suspect"


def checked(circuits: "Circuits", aim: Aim, wall_ns: int, said: dict[str, str], name: str, measured: Measured,
            more: dict[str, Any], raw: str, sent: SentTime | None, flags: tuple[str, ...]) -> list[Row]:
    """The records that a reading of the master `name` makes (empty: nobody said which);
    serial and lot are of no master."""
    said = {field: text for field, text in said.items() if field not in ("serial", "lot")}
    one, numbering = aim.characteristic, circuits.cell.numbering
    named = aim.named()
    master = _meant(one.masters, name, measured.value) if one is not None and measured.value is not None else None
    if master is None:
        if name:
            more["master"] = name
        if measured.value is not None:                 # its size is not known: nothing to be off from
            measured = Measured(measured.value, None, measured.unit)
        return [circuits.row(MASTER, wall_ns, said, named, measured, (*flags, *aim.flags, "unknown-master"), raw, more,
                             sent, {})]
    seq = numbering.next_seq
    found, gain = aim.masters.check(one, master, measured.value, wall_ns, (numbering.id(seq), numbering.id(seq + 1)),
                                    said.get("master-temperature", said.get("part-temperature", "")))
    more["master"] = master.name
    if gain is not None:
        more |= {"zero-error": gain.zero_error, "gain-error": gain.gain_error}
    rows = [circuits.row(MASTER, wall_ns, said, named, Measured(measured.value, found.deviation, measured.unit), flags,
                         raw, more, sent, _bounds(found))]
    circuits.count_check(said.get("channel", ""), master.name, found, measured.unit.value, wall_ns)
    if gain is not None:
        rows.append(_gain(circuits, named, wall_ns, said, gain, measured))
    for seq, check in ((seq, found), (seq + 1, gain.check if gain else None)):
        if check is not None and check.suspect is not None:
            rows.append(_suspect(circuits, named, wall_ns, said, check.name, check.suspect, numbering.id(seq)))
    return rows


def _meant(masters: tuple[Master, ...], name: str, size: Decimal) -> Master | None:
    """The master of this name; where nobody said it, the one that is nearest in size."""
    if name:
        return next((one for one in masters if one.name == name), None)
    return min(masters, key=lambda one: abs(one.size - size), default=None)


def _bounds(found: Verdict) -> dict[str, Any]:
    return {"nominal": number(found.size), "lower": number(found.lower), "upper": number(found.upper),
            "verdict": found.verdict, "side": found.side}


def _gain(circuits: "Circuits", named: Aim, wall_ns: int, said: dict[str, str], gain: Gain, measured: Measured) -> Row:
    """The difference of two masters, as a check of its own."""
    check = gain.check
    more = {"master": check.name, "check": "gain", "zero-error": gain.zero_error, "gain-error": gain.gain_error}
    return circuits.row(MASTER, wall_ns, said, named, Measured(check.value, check.deviation, measured.unit), (), "",
                        more, None, _bounds(check))


def _suspect(circuits: "Circuits", named: Aim, wall_ns: int, said: dict[str, str], master: str, suspect: Suspect,
             failed: str) -> Row:
    """Which readings of the channel to fetch back: everything since the last good check."""
    stamp = circuits.cell.stamp
    more = {"master": master, "first": suspect.first, "last": suspect.last, "count": suspect.count,
            "since": stamp(suspect.since_ns), "until": stamp(suspect.until_ns), "failed": failed}
    if suspect.good:
        more["last-good"] = suspect.good
    return circuits.cell.numbering.row(SUSPECT, wall_ns, port=circuits.plan.name, channel=said.get("channel", ""),
                                       detail=detail(more), **named.constants)
