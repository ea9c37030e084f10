"""The scenario: which stand-in columns there are and what they send.

Knows: how the keys of a column go together, and columns with each other.
Must not know: how readings are drawn (part_stream), terminals and sockets, time.
"""

from pathlib import Path
from typing import Any

from pydantic import model_validator

from collector.config.loader import load, validate
from collector.settings import Duration, Name, Settings, count, text_type, wrong
from collector.simulator.keys import (Changeover, Channel, Garbage, Kinds, Labels, Line, Masters, Orders, OverRange,
                                      Pause, Scanner, Stream, Temperatures, above_zero)
from collector.simulator.line import LABELS, Template, ValueLine

_WITH_REPLAY = {"link", "tcp", "baud", "character", "every", "asked", "replay"}


def request(text: str) -> str:
    """What the reader sends to ask."""
    if not text or not text.isascii():
        raise wrong(f"{text!r} is no request", 'write ASCII text, control characters in double quotes as in "?\\r"')
    return text


Asked = text_type(request, "text on the wire that asks for the next lines")


class Column(Line):
    """One stand-in column on one line: readings of an invented process, or a capture played once.

    With `asked`, each such request brings the lines of the next moment (a part's, or an over-range), and time nothing.
    """

    every: Duration = 2000
    line: ValueLine | None = None
    channels: dict[str, Channel] = {}
    over_range: OverRange | None = None
    stream: Stream | None = None
    garbage: Garbage | None = None
    pause: Pause | None = None
    masters: Masters | None = None
    kinds: Kinds = Kinds()
    labels: Labels = Labels()
    changeover: Changeover | None = None
    temperatures: Temperatures = Temperatures()
    scanner: Scanner | None = None
    orders: Orders | None = None
    replay: str | None = None
    asked: Asked | None = None

    @property
    def beside(self) -> list[Scanner | Orders]:
        """What tells of a part before it is put on."""
        return [one for one in (self.scanner, self.orders) if one]

    @model_validator(mode="after")
    def _something_to_send(self) -> "Column":
        above_zero(self.every)
        others = sorted(self.model_fields_set - _WITH_REPLAY)
        if self.replay is not None and others:
            raise wrong(f"replay does not go with {others[0].replace('_', '-')}", "a capture is played as it is")
        if self.replay is None and (self.line is None or not self.channels):
            raise wrong("a column needs something to send", "give line and channels, or replay")
        if len(self.channels) > 1 and "channel" not in self.line.fields:
            raise wrong("there are several channels, but the line does not say which", "add {channel} to it")
        if not all(name.isascii() and name.isprintable() for name in self.channels):
            raise wrong("a channel's name is not printable ASCII", "use letters and digits, as in A1")
        return self

    @model_validator(mode="after")
    def _times_agree(self) -> "Column":
        on = self.stream.on if self.stream else 0
        if on > self.every:
            raise wrong("a part is on for longer than until the next one", "make every longer than the stream's on")
        timed = [key for key in ("pause", "scanner", "orders") if getattr(self, key)]
        if self.asked and timed:
            raise wrong(f"{timed[0]} does not go with asked", "leave it out: the column waits to be asked")
        if self.stream is not None and self.over_range is not None and self.over_range.between is not None:
            raise wrong("between does not go with a stream", "leave it out: a stream sends it all the while")
        if any(one.ahead >= self.every - on for one in self.beside):
            raise wrong("ahead reaches back to the part before", "make it shorter than the time between two parts")
        return self

    @model_validator(mode="after")
    def _names_agree(self) -> "Column":
        given = [*self.masters.sizes.values()] if self.masters else []
        given += self.changeover.parts.values() if self.changeover else []
        for channel in (name for sizes in given for name in sizes):
            if channel not in self.channels:
                known = ", ".join(self.channels)
                raise wrong(f"a size is given on {channel!r}, which is no channel", f"channels are {known}")
        if self.labels.part and self.changeover:
            raise wrong("the part number is given twice", "leave it out of labels: changeover names the parts")
        return self

    @model_validator(mode="after")
    def _can_be_filled_in(self) -> "Column":
        known = {"count", "kind"} | {name for name in LABELS if getattr(self.labels, name, None)}
        known |= {"part"} if self.changeover else set()
        known |= {"master"} if self.masters else set()
        of_part = {"channel", "value"} | {f"{which}_temperature" for which, one in self.temperatures if one}
        scanned = [self.scanner.line, self.scanner.master_line] if self.scanner else []
        for line, can in [*((line, known | of_part) for line in self._lines()), *((line, known) for line in scanned)]:
            if line and line.fields - can:
                raise wrong(f"nothing is known to fill in {{{min(line.fields - can)}}}",
                            "give it in labels, changeover, masters or temperatures, or leave it out of the line")
        for name in self.orders.sets if self.orders else ():
            if name not in known:
                raise wrong(f"nothing is known to order for {name}", "give it in labels or changeover")
        return self

    def _lines(self) -> list[Template | None]:
        marks = self.stream.marks if self.stream else None
        return [self.line, self.over_range and self.over_range.line, marks and marks.start, marks and marks.end]


class Scenario(Settings):
    """A scenario file: the same seed gives the same bytes."""

    seed: count() = 1
    columns: dict[Name, Column]

    @model_validator(mode="after")
    def _own_places(self) -> "Scenario":
        lines = [one for column in self.columns.values() for one in (column, *column.beside)]
        places = [str(one.folder if isinstance(one, Orders) else one.link or one.tcp) for one in lines]
        if not places:
            raise wrong("there are no columns")
        if len(set(places)) < len(places):
            raise wrong("two columns send to the same place", "give each its own link, tcp port or folder")
        return self


def read_scenario(path: Path) -> Scenario:
    """The scenario of a file, its paths placed from its folder on.  Raises ConfigError with every fault."""
    scenario = validate(load(path), Scenario)
    beside = path.absolute() if path.is_dir() else path.absolute().parent
    columns = {name: _placed(column, beside) for name, column in scenario.columns.items()}
    return scenario.model_copy(update={"columns": columns})


def _placed(one: Any, beside: Path) -> Any:
    paths = {key: str(beside / path) for key in ("link", "replay", "folder") if (path := getattr(one, key, None))}
    inner = {key: _placed(found, beside) for key in ("scanner", "orders") if (found := getattr(one, key, None))}
    return one.model_copy(update=paths | inner)
