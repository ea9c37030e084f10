"""Measurements that say what one said before: nothing of them differs but number, time, serial and the raw text, as
long as context and flags are the same.

A column sends the same few hundred sizes again and again.  What was made of one, judged and encoded, is kept as a form
to be filled in, from its second time on; without that a reading costs twice as much (tests/bench/measuring).

Knows: which texts make two frames alike, how a text becomes part of a JSON string, how much is kept.
Must not know: when a measurement may be repeated, how (circuits).
"""

from typing import NamedTuple

import msgspec

from collector.frames.parser import BLANKS, Parser
from collector.frames.pattern import Texts
from collector.record import escape
from collector.service.aim import Aim
from collector.service.tally import Size

_MOST = 500                                            # what comes from the wire is never an endless memory
_PLAIN = bytes(set(range(0x20, 0x7F)) - set(b'"\\'))


class Under(NamedTuple):
    """What a measurement was made under: as long as that is in force, the same frame makes the same again.

    `held`: the context that was in force.
    """

    aim: Aim
    channel: str
    held: dict[str, str]
    flags: tuple[str, ...]
    unsynchronised: bool

    def is_as(self, other: "Under") -> bool:
        """Whether it is the same; aim and context by being the very same, which is quick and never wrong."""
        return self.aim is other.aim and self.held is other.held \
            and (self.flags, self.unsynchronised) == (other.flags, other.unsynchronised)


class Repeat(NamedTuple):
    """A measurement that was made.  `form`: the number of that of its record; `said`: by the frame and by the
    context."""

    form: int
    under: Under
    said: dict[str, str]
    size: Size


Known = tuple[Repeat, bytes, bytes]
"""What a frame repeats; its serial and its raw text as they stand between the quotes of a JSON string."""


class Repeats:
    """Those of one port, by the texts of a frame without its serial."""

    def __init__(self, parser: Parser):
        self._parser, self._serial_at, self._encoding = parser, parser.serial_at, parser.spec.encoding
        self._known: dict[Texts, Repeat | None] = {}
        self._last: dict[str, Under] = {}              # by channel, that of the one that was kept last

    def of(self, frames: list[bytes]) -> list[Known | None]:
        """The measurements that such frames made before; None: what one says must be read."""
        raws = frames if is_plain(b"".join(frames)) else [json_text(frame, self._encoding) for frame in frames]
        known = self._known.get
        found: list[Known | None] = []
        for texts, raw in zip(self._parser.all_texts(frames), raws):
            one = None
            if type(texts) is list and len(texts) == 1:
                key, serial = self._apart(texts[0])
                one = known(key) if serial is not None else None
            found.append(one and (one, serial, raw))
        return found

    def is_awaited(self, texts: Texts) -> bool:
        """Whether what these texts make is worth keeping: they came before, and can be told when they come again.
        Where they come for the first time, that is noted."""
        key, serial = self._apart(texts)
        if serial is None:
            return False
        came = key in self._known
        if not came:
            self._note(key, None)
        return came

    def keep(self, texts: Texts, one: Repeat) -> None:
        """Keep what these texts made, for when they come again."""
        last = self._last.get(one.under.channel, one.under)
        self._last[one.under.channel] = under = last if last.is_as(one.under) else one.under
        self._note(self._apart(texts)[0], one._replace(under=under))

    def _note(self, key: Texts, one: Repeat | None) -> None:
        if len(self._known) >= _MOST:
            del self._known[next(iter(self._known))]
        self._known[key] = one

    def _apart(self, texts: Texts) -> tuple[Texts, bytes | None]:
        """The texts without the serial, and that; None: it stands in JSON otherwise than on the wire."""
        at = self._serial_at
        if at is None or not (cut := texts[at]):
            return texts, b""
        if type(cut) is bytes and cut.isalnum():
            return texts[:at] + texts[at + 1:], cut
        serial = self._parser.text(cut).strip(BLANKS)
        if not serial:
            return texts, b""
        goes = serial.isprintable() and '"' not in serial and "\\" not in serial
        return texts[:at] + texts[at + 1:], serial.encode() if goes else None


def is_plain(data: bytes) -> bool:
    """Whether these bytes stand in a JSON string as they are."""
    return not data.translate(None, _PLAIN)


def json_text(data: bytes, encoding: str) -> bytes:
    """Bytes from the wire as a record's `raw` writes them, and as that stands between the quotes of a JSON string."""
    return data if is_plain(data) else msgspec.json.encode(escape(data, encoding))[1:-1]
