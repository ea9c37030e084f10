"""An invented lot of an invented plant, as its journal would hold it: written through the journal's own writer.

    .venv/bin/python -m tests.report_cell FOLDER [COUNT]       # COUNT: so many plain readings instead of the lot

The housings of lot L0417: two bores at two levels with their taper, checked on a ring.  The tool wears and is changed
once; the cable is pulled once; the limits of one bore are tightened; a check fails at the end of the forenoon.
"""

import random
import sys
from decimal import Decimal
from pathlib import Path

from collector.clock import Stamps
from collector.journal import Journal, Row
from collector.record import Record, detail, encode, number

SITE, BEGAN_US = "cell-4", 1_772_431_200_000_000           # 2026-03-02 06:00:00 UTC
CONFIG = """
site: cell-4
state: ./state
ports: {bore-column: {device: ./tty-bore, format: print-line}}
formats: {print-line: {pattern: '^(?P<channel>[UL]) (?P<value>[+-]?\\d+\\.\\d+) (?P<unit>mm)$'}}
parts:
  PH-200:
    upper: {channel: bore-column/U, nominal: 25 mm, tolerance: H7}
    lower: {channel: bore-column/L, nominal: 25 mm, tolerance: H7}
    taper: {from: upper - lower, unit: um, limits: {min: -6 um, max: 6 um}}
outputs: {mes: {kind: jsonl, folder: ./inbox}}
"""


class Writing:
    """Rows with seqs and ids as the collector gives them, into a new journal."""

    def __init__(self, folder: Path):
        self.journal = Journal.open(folder)
        self.stamps, self.rows, self.seq = Stamps(), [], self.journal.next_seq

    def add(self, kind: str, at_us: int, **fields) -> str:
        """The id of the record."""
        fields = {name: value if not isinstance(value, Decimal) else number(value) for name, value in fields.items()}
        identity = f"{SITE}-{self.journal.name}-{self.seq}"
        record = Record(seq=self.seq, id=identity, time=self.stamps.text(at_us * 1000), kind=kind, site=SITE, **fields)
        self.rows.append(Row(self.seq, at_us, kind, record.port, record.part, record.lot, encode(record)))
        self.seq += 1
        if len(self.rows) >= 5000:
            self.commit()
        return identity

    def event(self, at_us: int, event: str, port: str = "", **more) -> None:
        self.add("event", at_us, port=port, detail=detail({"event": event, **more}))

    def commit(self) -> None:
        self.journal.append(self.rows)
        self.rows = []

    def close(self) -> None:
        self.commit()
        self.journal.close()


def judged(value: Decimal, lower: Decimal, upper: Decimal) -> dict:
    side = "below" if value < lower else "above" if value > upper else ""
    return {"value": value, "lower": lower, "upper": upper, "verdict": "fail" if side else "pass", "side": side}


def housings(folder: Path, count: int = 180, seed: int = 3) -> None:
    """The lot, in the journal of this state folder."""
    draw, to = random.Random(seed), Writing(folder)
    at = BEGAN_US
    to.event(at, "started", clock="synchronised")
    to.event(at + 400_000, "port-open", "bore-column", device="/dev/serial/by-id/usb-adapter-0004")
    to.add("event", at + 900_000, part="PH-200", lot="L0417", detail=detail({
        "event": "context", "source": "orders", "sets": {"part": "PH-200", "lot": "L0417"}, "ports": ["bore-column"]}))
    good = check(to, at + 60_000_000, Decimal("0.0002"), "")
    for place in range(count):
        at += 160_000_000 + draw.randrange(40_000_000)
        if place == count * 2 // 5:
            to.event(at - 30_000_000, "port-lost", "bore-column", cause="the device is gone")
            to.event(at - 20_000_000, "port-open", "bore-column", device="/dev/serial/by-id/usb-adapter-0004")
        if place in (count // 4, count // 2, count * 3 // 5):
            good = check(to, at - 60_000_000, Decimal("0.0004"), good)
        if place == count * 4 // 5:
            good = check(to, at - 60_000_000, Decimal("0.0019"), good, count // 5)
            at += 600_000_000
            good = check(to, at - 60_000_000, Decimal("0.0001"), good)
        housing(to, at, place, count, draw)
    check(to, at + 60_000_000, Decimal("0.0003"), good)
    to.event(at + 120_000_000, "stopped")
    to.close()


def check(to: Writing, at: int, off: Decimal, good: str, parts: int = 0) -> str:
    """A ring of 25.0002 mm is read on circuit U; one that fails puts the parts since the last good check in doubt."""
    size, within = Decimal("25.0002"), Decimal("0.001")
    identity = to.add("master", at, port="bore-column", channel="U", part="PH-200", characteristic="upper", unit="mm",
                      nominal=size, deviation=off, detail=detail({"master": "R-25"}),
                      **judged(size + off, size - within, size + within))
    if off > within:
        first = int(good.rpartition("-")[2])
        to.add("suspect", at, port="bore-column", channel="U", part="PH-200", characteristic="upper", detail=detail({
            "master": "R-25", "first": first + 1, "last": to.seq - 2, "count": parts,
            "since": to.stamps.text((at - parts * 180_000_000) * 1000), "until": to.stamps.text(at * 1000),
            "failed": identity, "last-good": good}))
    return identity


def housing(to: Writing, at: int, place: int, count: int, draw: random.Random) -> None:
    """Two bores, their taper, and the part."""
    worn = place % (count // 2) / count                   # the tool is changed at half of the lot
    upper_limit = Decimal("25.021") if place < count // 2 else Decimal("25.020")
    said = {"part": "PH-200", "lot": "L0417", "serial": f"PH{place + 401:05d}",
            "operator": "kern" if place < count * 2 // 3 else "adler"}
    flags = ("overdue-master",) if 70 < place < 78 else ()
    mean = 25.0128 - 0.0050 * worn
    sizes = {"upper": mean + draw.gauss(0, 0.0017), "lower": mean - 0.0012 + draw.gauss(0, 0.0016)}
    if place == count * 3 // 10:
        sizes["upper"] = 25.0224
    ids, values, verdicts = {}, {}, {}
    for channel, name in (("U", "upper"), ("L", "lower")):
        values[name] = Decimal(f"{sizes[name]:.4f}")
        limit = upper_limit if name == "upper" else Decimal("25.021")
        fields = judged(values[name], Decimal("25.000"), limit)
        ids[name] = to.add("measurement", at, port="bore-column", channel=channel, characteristic=name, unit="mm",
                           flags=flags, nominal=Decimal(25), deviation=values[name] - 25,
                           raw=f"{channel} {values[name]:+} mm", **said, **fields)
        verdicts[name] = fields["verdict"]
        at += 2_000_000
    taper = ((values["upper"] - values["lower"]) * 1000).normalize()
    fields = judged(taper, Decimal(-6), Decimal(6))
    verdicts["taper"] = fields["verdict"]
    ids["taper"] = to.add("derived", at, characteristic="taper", unit="um", flags=flags, **said, **fields,
                          detail=detail({"from": "upper - lower", "inputs": dict(ids)}))
    to.add("part", at, verdict="fail" if "fail" in verdicts.values() else "pass", flags=flags, **said,
           detail=detail({"readings": ids, "verdicts": verdicts}))


def readings(folder: Path, count: int) -> None:
    """So many plain readings of one bore, one each second, a few of them out of limits."""
    draw, to = random.Random(9), Writing(folder)
    for place in range(count):
        value = Decimal(f"{25.0105 + 0.002 * (place % 5000) / 5000 - 0.001 + draw.gauss(0, 0.002):.4f}")
        value += Decimal("0.015") * (place % 250_000 == 123_456)
        to.add("measurement", BEGAN_US + place * 1_000_000, port="bore-column", channel="U", characteristic="upper",
               unit="mm", part="PH-200", lot="L0417", nominal=Decimal(25), deviation=value - 25, raw=f"U {value:+} mm",
               flags=("clock-unsynchronised",), **judged(value, Decimal("25.000"), Decimal("25.021")))
    to.close()




if __name__ == "__main__":
    made = Path(sys.argv[1])
    made.mkdir(parents=True, exist_ok=True)
    (made / "cell.yaml").write_text(CONFIG)
    (made / "inbox").mkdir(exist_ok=True)
    (made / "state").mkdir(exist_ok=True)
    housings(made / "state") if len(sys.argv) < 3 else readings(made / "state", int(sys.argv[2]))
