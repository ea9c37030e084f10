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
from collector.service.numbering import Form
from collector.service.tally import Last, Size

_MOST = 500                                            # what comes from the wire is never an endless memory
_PLAIN = bytes(set(range(0x20, 0x7F)) - set(b'"\\'))


class Repeat(NamedTuple):
    """A measurement that was made, and what it was made under: while that is so, it is made again the same.

    `form`: its record, to be filled in (numbering); `said`: by the frame and by `held`, the context that was in force;
    `last`: where its channel is counted.
    """

    form: Form
    aim: Aim
    channel: str
    said: dict[str, str]
    part: str
    lot: str
    held: dict[str, str]
    size: Size
    last: Last
    flags: tuple[str, ...]
    unsynchronised: bool


class Repeats:
    """Those of one port, by the texts of a frame without its serial."""

    def __init__(self, parser: Parser):
        self._serial_at, self._text = parser.serial_at, parser.text
        self._known: dict[Texts, Repeat | None] = {}

    def of(self, texts: Texts) -> tuple[Repeat | None, bytes]:
        """The measurement that these texts made before, and the serial that they say now, as it stands in JSON."""
        key, serial = self._apart(texts)
        return (None, b"") if serial is None else (self._known.get(key), serial)

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
        self._note(self._apart(texts)[0], one)

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
        serial = self._text(cut).strip(BLANKS)
        if not serial:
            return texts, b""
        goes = serial.isprintable() and '"' not in serial and "\\" not in serial
        return texts[:at] + texts[at + 1:], serial.encode() if goes else None


def json_text(data: bytes, encoding: str) -> bytes:
    """Bytes from the wire as a record's `raw` writes them, and as that stands between the quotes of a JSON string."""
    if not data.translate(None, _PLAIN):
        return data
    return msgspec.json.encode(escape(data, encoding))[1:-1]
