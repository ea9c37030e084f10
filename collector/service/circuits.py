"""What the channels of one port make of readings: measurements, checks on masters, turns, and what follows from them.

Knows: how a reading is completed by the context, judged, flagged, recorded and followed up; the order of these.
Must not know: bytes, how frames are read, the journal, threads.
"""

from typing import Any

from collector.config.plan import PortPlan
from collector.frames.pattern import Texts
from collector.journal import Row
from collector.measuring.masters import MANY, Verdict
from collector.measuring.normalise import Measured, normalise
from collector.measuring.thermal import correction, temperature
from collector.measuring.units import EXACT
from collector.record import CHANNEL, NONE, Frame, Mark, OverRange, Reading, SentTime, Unread
from collector.record import detail, escape, number
from collector.service.aim import NOTHING, Aim, Aims
from collector.service.cell import CARRIED, Cell
from collector.service.checks import MASTER, checked
from collector.service.judged import judged
from collector.service.numbering import RAW, SERIAL
from collector.service.runs import MEASUREMENT, STARTS, Runs
from collector.service.repeats import Known, Repeat, Repeats, Under
from collector.service.tally import Last, Size, Tally

OVER_RANGE = "over-range"


class Circuits:
    """The measuring circuits of one port.  Holds the runs that are open; everything else is in the cell."""

    def __init__(self, plan: PortPlan, cell: Cell, tally: Tally):
        self.plan, self.cell, self.tally = plan, cell, tally
        self.aims = Aims(plan, cell)
        self.runs = Runs(self)
        self._context, self._numbering = cell.context, cell.numbering
        self.repeats = Repeats(plan.parser)

    def again(self, known: list[Known | None], at: int, wall_ns: int) -> tuple[list[Row], int]:
        """The records of the frames from `at` on, one each and what follows from it, and how many frames that are:
        as long as they are known, and made under what the first was made under.

        `known`: of frames that came at once, at `wall_ns`; the one at `at` is not None.  0: that one must be read.
        """
        under, found, sizes, oldest = known[at][0].under, [], [], self._numbering.forms.oldest
        for one in known[at:at + self._as_before(under, wall_ns)]:
            if one is None or one[0].under is not under or one[0].form < oldest:
                break
            repeat, serial, raw = one
            found.append((repeat.form, serial, raw))
            sizes.append(repeat.size)
        if not found:
            return [], 0
        aim = under.aim
        rows = self._numbering.filled(found, MEASUREMENT, wall_ns, self.plan.name)
        self.tally.read += len(rows)
        self.tally.readings += len(rows)
        self._last(under.channel).count(sizes, wall_ns)
        if aim.masters is not None:
            aim.masters.count(rows[-1].seq, wall_ns, len(rows))
        if aim.followed:                               # then it is one frame
            said = {**repeat.said, "serial": serial.decode()} if serial else repeat.said
            rows += self.cell.follow(aim.characteristic, rows[0].seq, repeat.size.value, repeat.size.verdict,
                                     under.flags, said, wall_ns)
        return rows, len(found)

    def _as_before(self, under: Under, wall_ns: int) -> int:
        """How many measurements from now on are made under this as well, by all that is known; 0: not the next one."""
        aim = under.aim
        if under.held is not self._context.of(self.plan.name, under.channel) \
                or under.unsynchronised != self._numbering.unsynchronised or self._flags(aim, wall_ns) != under.flags:
            return 0
        if aim.followed:                               # a part that is complete may use the context up
            return 1
        return MANY if aim.guard is None else aim.guard.lasts(wall_ns)

    def take(self, frame: Frame, found: Reading | OverRange | Mark, steady_ns: int,
             texts: Texts | None = None) -> list[Row] | Unread:
        """The records that this makes; Unread where it is of no channel or no unit that is known.

        `texts`: what the frame says, where it says no more than this.
        """
        said = found.said
        channel = said.get("channel", "")
        held = self._context.of(self.plan.name, channel)
        if held:
            said = {**held, **said}
        kind = said.get("kind", "")
        if type(found) is OverRange:
            return self._over_range(frame, found, channel, said, steady_ns)
        if type(found) is Mark:
            return self.runs.mark(kind == STARTS, frame, channel, said, steady_ns)
        master = said.get("master", "") if kind == MASTER or kind != MEASUREMENT and "master" in said else None
        aim = self.aims.of(channel, said.get("part", ""), master)
        if aim is None:
            return Unread(CHANNEL, self.aims.unknown(channel))
        if texts is not None and aim.repeats and master is None and found.sent is None and "status" not in said \
                and self.repeats.is_awaited(texts):
            self._keep(frame, texts, aim, found, held)
        rows, run = self.runs.of(channel, aim, steady_ns, frame.wall_ns)
        measured = normalise(found, self.plan.is_deviation, (run.aim if run else aim).characteristic)
        if isinstance(measured, Unread):
            return measured
        self.tally.readings += 1
        if run:
            return rows + self.runs.feed(run, kind, frame, found, said, master, measured, steady_ns)
        return rows + self.finish(aim, MEASUREMENT, frame.wall_ns, said, master, measured, {},
                                  escape(frame.data, self.plan.encoding), found.sent)

    def _keep(self, frame: Frame, texts: Texts, aim: Aim, found: Reading, held: dict[str, str]) -> None:
        """Keep what this frame makes by itself, for `again`; not where that uses up some of the context."""
        one, measured = aim.characteristic, normalise(found, self.plan.is_deviation, aim.characteristic)
        if isinstance(measured, Unread) or not self._context.is_plain(self.plan.name):
            return
        said, more, flags = {**held, **found.said}, {}, self._flags(aim, frame.wall_ns)
        fields = judged(one, measured.value, more)
        marked = {**said, "serial": SERIAL} if "serial" in found.said else said
        told = {"lot": "", **_told(marked, aim, measured, fields)}
        form = self._numbering.form(MEASUREMENT, port=self.plan.name, flags=flags, raw=RAW,
                                    detail=detail(more) if more else NONE, **told)
        under = Under(aim, said.get("channel", ""), held, flags, self._numbering.unsynchronised)
        self.repeats.keep(texts, Repeat(form, under, said, _size(measured, fields)))

    def _flags(self, aim: Aim, wall_ns: int) -> tuple[str, ...]:
        return aim.flags if aim.guard is None else aim.flags + aim.guard.flags(wall_ns)

    def unread(self, steady_ns: int) -> None:
        """A frame of this port could not be read: what is being measured lacks it."""
        self.runs.unread(steady_ns)

    def finish(self, aim: Aim, kind: str, wall_ns: int, said: dict[str, str], master: str | None, measured: Measured,
               more: dict[str, Any], raw: str = "", sent: SentTime | None = None,
               flags: tuple[str, ...] = ()) -> list[Row]:
        """One finished measurement, as its record and those that follow from it."""
        channel = said.get("channel", "")
        if master is not None:
            rows = checked(self, aim, wall_ns, said, master, measured, more, raw, sent, flags)
        else:
            rows = self._measurement(aim, kind, wall_ns, said, measured, more, raw, sent, flags)
        if master != "" and not self._context.is_plain(self.plan.name):     # a master that nobody named uses nothing up
            part = aim.characteristic.part if aim.characteristic else said.get("part", "")
            rows += self.cell.used(self.plan.name, channel, part, master or "", wall_ns)
        return rows

    def _measurement(self, aim: Aim, kind: str, wall_ns: int, said: dict[str, str], measured: Measured,
                     more: dict[str, Any], raw: str, sent: SentTime | None, flags: tuple[str, ...]) -> list[Row]:
        one, value = aim.characteristic, measured.value
        if one is not None and one.expansion is not None and value is not None:
            measured, found = self._corrected(aim, said, measured, more)
            value, flags = measured.value, flags + found
        fields: dict[str, Any] = {"verdict": "", "side": ""}
        if one is not None and value is not None:
            fields = judged(one, value, more)
        flags += self._flags(aim, wall_ns)
        self._last(said.get("channel", "")).count([_size(measured, fields)], wall_ns)
        seq = self._numbering.next_seq
        rows = [self.row(kind, wall_ns, said, aim, measured, flags, raw, more, sent, fields)]
        if aim.masters is not None:
            aim.masters.count(seq, wall_ns)
        if aim.followed:
            rows += self.cell.follow(one, seq, value, fields["verdict"], flags, said, wall_ns)
        return rows

    def row(self, kind: str, wall_ns: int, said: dict[str, str], aim: Aim, measured: Measured | None,
            flags: tuple[str, ...], raw: str, more: dict[str, Any], sent: SentTime | None,
            fields: dict[str, Any]) -> Row:
        """The journal row of a record of this port; `fields` go before what the aim says."""
        if sent is not None:
            if sent.flag:
                flags += (sent.flag,)
            more["column-time"] = _column_time(sent)
        if "status" in said:
            more["status"] = said["status"]
        return self._numbering.row(kind, wall_ns, port=self.plan.name, flags=flags, raw=raw,
                                   detail=detail(more) if more else NONE, **_told(said, aim, measured, fields))

    def _over_range(self, frame: Frame, found: OverRange, channel: str, said: dict[str, str],
                    steady_ns: int) -> list[Row]:
        self.tally.over_range += 1
        rows, is_news = self.runs.over_range(channel, frame, steady_ns)
        if not is_news:
            return rows
        aim = self.aims.of(channel, said.get("part", ""), None) or NOTHING       # a whole-frame text names no channel
        return [*rows, self.row(OVER_RANGE, frame.wall_ns, said, aim.named(), None, (),
                                escape(frame.data, self.plan.encoding), {"text": found.text}, found.sent, {})]

    def _corrected(self, aim: Aim, said: dict[str, str], measured: Measured,
                   more: dict[str, Any]) -> tuple[Measured, tuple[str, ...]]:
        """The size at 20 degrees C; what was read stays in the detail.  Flagged where a temperature is not known."""
        one = aim.characteristic
        known = aim.masters.book.checks if aim.masters else {}
        checks = [(known[master.name].at_ns, known[master.name].celsius, master) for master in one.masters
                  if master.name in known and known[master.name].celsius]
        _, at_check, master = max(checks, key=lambda check: check[0],
                                  default=(0, "", one.masters[0] if one.masters else None))
        part_c, master_c = (temperature(said.get("part-temperature", "")),
                            temperature(said.get("master-temperature", at_check)))
        if part_c is None or master_c is None:
            return measured, ("not-corrected",)
        master_expansion = master.expansion if master and master.expansion is not None else one.expansion
        length = measured.value if one.nominal is None else one.nominal
        off = correction(length, one.expansion, part_c, master_expansion, master_c)
        more |= {"uncorrected": measured.value, "correction": EXACT.minus(off), "part-temperature": part_c,
                 "master-temperature": master_c}
        deviation = None if measured.deviation is None else EXACT.subtract(measured.deviation, off)
        return Measured(EXACT.subtract(measured.value, off), deviation, measured.unit), ()

    def count_check(self, channel: str, master: str, found: Verdict, unit: str, wall_ns: int) -> None:
        """A check was made: for `status`."""
        last = self._last(channel)
        last.size, last.time_ns = Size(found.value, unit, found.verdict, found.side), wall_ns

    def _last(self, channel: str) -> Last:
        return self.tally.channels.setdefault(channel, Last())


def _size(measured: Measured, fields: dict[str, Any]) -> Size:
    shown = measured.deviation if measured.value is None else measured.value
    return Size(shown, measured.unit.value, fields["verdict"], fields["side"])


def _told(said: dict[str, str], aim: Aim, measured: Measured | None, fields: dict[str, Any]) -> dict[str, Any]:
    """The fields of a record that come from what was said, what it is compared with, what was measured; `fields` go
    before what the aim says."""
    told = {"channel": said.get("channel", ""), "part": said.get("part", ""), **aim.constants, **fields}
    for key in CARRIED:
        if key in said:
            told[key] = said[key]
    if measured is not None:
        told["unit"] = measured.unit.value
        if measured.value is not None:
            told["value"] = number(measured.value)
        if measured.deviation is not None:
            told["deviation"] = number(measured.deviation)
    return told


def _column_time(sent: SentTime) -> dict[str, str]:
    told = {"local": sent.local, "zone": sent.zone}
    if sent.utc:
        told["utc"] = sent.utc
    return told
