"""A column that stands beside the value: channel, unit, status, kind, serial, or nothing that is read.

Knows: words that columns write, where channel and status usually stand.
Must not know: how the value was found, how a format is written.
"""

import re

from collector.draft.looks import has_decimals, is_date, is_running, is_temperature, is_unit, may_be_temperature
from collector.draft.proposal import CHECK, EXPONENT, MARK, NUMBER, WORD, Column, Field
from collector.draft.telling import listed, shown
from collector.draft.words import KEYS, MASTERS, NEARLY_UNITS, PARTS, SIGN_WORDS, STATUSES
from collector.frames.parser import GROUPS

_LABEL = re.compile("[A-Za-z]{1,8}[0-9]{1,2}|[0-9]{1,2}")
_MOST_CHANNELS, _LONGEST_CHANNEL = 16, 12
_MOST_STATUSES, _LONGEST_STATUS = 8, 4


class Neighbour:
    """One column beside the value, and what is known of it.  `used`: the groups that are named already."""

    def __init__(self, columns: list[Column], at: int, value: int, key: str, used: set[str], is_repeated: bool,
                 decimal: str):
        self.column, self.at, self.key, self.used = columns[at], at, key, used
        self.before, self.beside, self.is_repeated = at < value, abs(at - value) == 1, is_repeated
        self.said, self.listed = self.column.said, listed(self.column.said)
        self.upper = {text.upper() for text in self.said}
        self.has_decimals = self.column.kind == NUMBER and has_decimals(self.column, decimal)
        self.is_warm = self.column.kind == NUMBER and is_temperature(columns, at) or \
            self.has_decimals and may_be_temperature(self.column, decimal)
        after = columns[at + 1] if at + 1 < len(columns) else self.column
        self.is_key = after.kind == MARK and after.said in (("=",), (":",)) or bool(self.upper & set(KEYS))

    def field(self) -> Field | None:
        """What the column is; None: fixed text, which the format demands as it stands."""
        if self.column.kind == MARK:
            return self._mark()
        if self.column.kind == CHECK:
            return self._skip("changes with every frame like a checksum",
                              "the places at the end may be a checksum, but none of the known kinds: they are not "
                              "verified, so a damaged frame may be read; what does the column's manual say?")
        if self.column.kind not in (WORD, NUMBER, EXPONENT) or not self.said:
            return None if self.column.is_constant else self._skip("not read")
        if self.key and self.key not in self.used:
            return self._keyed()
        return self._by_words() or self._by_place()

    def _keyed(self) -> Field | None:
        """By the word in front of it."""
        if self.key in GROUPS and self.key not in ("unit", "kind"):
            return self._named(self.key, "what the word in front of it says")
        if self.key == "temperature":
            return self._warm()
        if self.key in ("limit", "running"):
            return self._skip(f"{self.listed}: a nominal, a limit or a running number by the word in front of it")
        return self._by_words() or self._by_place()

    def _by_words(self) -> Field | None:
        if is_unit(self.column) and "unit" not in self.used:
            near = self.beside or self.is_repeated or self.key == "unit"
            return self._named("unit", "the unit, as the frame says it; another text makes the frame unread",
                               "" if near else "is not beside the value: is it its unit?")
        if self.upper & MASTERS and self.upper <= MASTERS | PARTS and "kind" not in self.used:
            kinds = {text: "master" if text.upper() in MASTERS else "measurement" for text in self.said}
            asked = "tell master from part: is that so, and which is which?" if len(self.said) > 1 else \
                "stands in every frame: is it the mark of a master? what does the column send for a part?"
            return self._named("kind", "a master or a part", asked, kinds=kinds)
        clear = not self.before or len(self.upper) > 1 and bool(self.upper - {"L", "H", "E", "W"})
        if clear and self.upper <= STATUSES and "status" not in self.used:
            return self._named("status", "the column's own verdict; it is kept with the reading, not used")
        return None

    def _by_place(self) -> Field | None:
        if is_running(self.column) and not self.is_repeated:
            asked = f"{self.listed} counts on: if it is the serial number of the part, name it serial"
            return self._skip(f"{self.listed}: counts the frames", asked if self.column.kind == WORD else "")
        if self.column.kind == NUMBER and is_date(self.column):
            return self._skip(f"{self.listed}: a date, without a time that could be read with it")
        if self.is_warm and not self.column.is_constant:
            return self._warm()
        if self.column.is_constant:
            return self._coming() if "" in self.column.texts else self._constant()
        if "channel" not in self.used and self._is_label():
            sure = self.before and not self.upper <= STATUSES
            return self._named("channel", "which measuring circuit the reading is from",
                               "" if sure else "is taken as the channel: or is it a status?")
        if "status" not in self.used and self._is_status():
            return self._named("status", "a status", "is taken as a status: what does it say?")
        asked = "changes and is not read: is it a limit, and not the reading of another channel?" if self.has_decimals \
            else "changes: is it a serial number, a lot, a limit? Name its group if it is to be kept"
        return self._skip(f"{self.listed}: not read", f"{self.listed} {asked}")

    def _coming(self) -> Field:
        return self._skip(f"{self.listed}: comes and goes",
                          f"{self.listed} comes and goes: is it a master, a serial number, a status?")

    def _constant(self) -> Field:
        text = self.said[0]
        if _LABEL.fullmatch(text) and "channel" not in self.used and (self.before or self.column.kind == WORD):
            return self._named("channel", "taken as the channel, so that others are read as well",
                               "stands in every frame: is it the channel?")
        if self.column.kind == NUMBER:
            asked = "never changes and is not read: is it a nominal or a limit, and not the reading of another channel?"
            return self._skip(f"{shown(text)}: never changes", f"{shown(text)} {asked}" if self.has_decimals else "")
        nearly = NEARLY_UNITS.get(text.lower() if len(text) > 1 else text)
        if nearly and self.beside and "unit" not in self.used:
            return self._fixed(f"is no unit that the collector takes from a frame: is it {nearly}?", unit=nearly)
        if self.beside and self.before and any(text.upper() in words for words in SIGN_WORDS):
            return self._fixed("stands in front of every value: is it its sign? the collector reads + and - only")
        if self.column.cell >= 0:
            return self._skip(f"{shown(text)}: never changes", f"{shown(text)} stands in every frame: is it a channel, "
                                                               "a status or a unit that can change?")
        return self._fixed("stands in every frame, and a frame without it is not read: is it a channel, a status or a "
                           "unit that can change?" if self.beside and not self.is_key else "")

    def _warm(self) -> Field:
        return self._skip(f"{self.listed}: a temperature, by its size or the word beside it",
                          f"{self.listed} may be the temperature of the part or of the master: name it "
                          "part_temperature or master_temperature if so")

    def _mark(self) -> Field | None:
        if self.said == ('"',) and self.beside and not self.before and "unit" not in self.used:
            return self._named("unit", "inches")
        if self.column.is_constant and None not in self.column.texts:
            return None
        if "status" in self.used:
            return self._skip(f"{self.listed}: not read")
        return self._named("status", "a mark that comes and goes", "is taken as a status: what does it say?")

    def _is_label(self) -> bool:
        """Few different short texts that come again, as the names of channels do."""
        texts = [text for text in self.column.texts if text]
        again = len(texts) >= 2 * len(self.said) or len(texts) <= 6 or self.is_repeated
        return again and len(self.said) <= _MOST_CHANNELS and all(
            len(text) <= _LONGEST_CHANNEL and "." not in text and text[0] not in "+-" for text in self.said)

    def _is_status(self) -> bool:
        """Few short words behind the value."""
        short = all(len(text) <= _LONGEST_STATUS for text in self.said)
        return not self.before and self.column.kind == WORD and short and len(self.said) <= _MOST_STATUSES

    def _named(self, name: str, why: str, asked: str = "", **also: object) -> Field:
        return Field(name, self.at, self.at, f"{self.listed}: {why}", asked and f"{self.listed} {asked}", also)

    def _fixed(self, asked: str, **also: object) -> Field:
        return Field("", self.at, self.at, f"{self.listed}: fixed text", asked and f"{self.listed} {asked}",
                     {**also, "fixed": True})

    def _skip(self, why: str, asked: str = "") -> Field:
        return Field("", self.at, self.at, why, asked)
