"""The usual measurement, by the shortest way: one that is only judged, of which nothing but its number, time, serial,
size and raw text differs from the one before.

The JSON of such a record is encoded once and then filled in; a size that was sent before is not judged again.  Without
that a reading costs twice as much (tests/bench/measuring).

Knows: which fields are filled in, and how a text becomes part of a JSON string.
Must not know: the names and the order of the fields (record), when a reading is usual (aim, circuits).
"""

from typing import Any

import msgspec
from msgspec import Raw, Struct

from collector.config.plan import PortPlan
from collector.journal import Row
from collector.measuring.characteristic import Characteristic
from collector.measuring.judge import judge
from collector.measuring.normalise import Measured, normalise
from collector.record import Reading, Record, Unread, digits, encode, escape
from collector.service.numbering import Numbering

MEASUREMENT = "measurement"
_MOST_SIZES, _MOST_FORMS = 1_000, 200                  # what comes from the wire is never an endless memory
_NUMBER = Raw(b'"\\u0000n"')
_PLACES = {'{"seq":0,': '{"seq":%d,', '\\u0000i"': '%d"', '"\\u0000t"': '"%s"', '"\\u0000s"': '"%s"',
           '"\\u0000r"': '"%s"'}
_PLAIN = bytes(set(range(0x20, 0x7F)) - set(b'"\\'))


class Size(Struct, frozen=True):
    """A size as it was sent, judged; `value` and `deviation` as digits."""

    measured: Measured
    verdict: str
    side: str
    value: str
    deviation: str


class Usual:
    """The usual measurements of one characteristic on one port."""

    def __init__(self, port: PortPlan, one: Characteristic, constants: dict[str, Any], numbering: Numbering):
        """`one` has a nominal, and no more than verdict and side is said of its sizes; `constants`: what every record
        of it says."""
        self._port, self._one, self._constants, self._numbering = port, one, constants, numbering
        self._sizes: dict[tuple[str, str], Size] = {}
        self._forms: dict[tuple, str] = {}

    def size(self, found: Reading) -> Size | Unread:
        """The size that a reading says, judged; Unread where its unit is not known."""
        key = str(found.value), found.unit             # 12.0 and 12.00 are two: digits stay as sent
        size = self._sizes.get(key)
        if size is not None:
            return size
        measured = normalise(found, self._port.is_deviation, self._one)
        if isinstance(measured, Unread):
            return measured
        if len(self._sizes) >= _MOST_SIZES:
            self._sizes.clear()
        verdict, side = judge(measured.value, self._one.judging)
        return self._sizes.setdefault(key, Size(measured, verdict, side, digits(measured.value),
                                                digits(measured.deviation)))

    def row(self, wall_ns: int, said: dict[str, str], size: Size, flags: tuple[str, ...], raw: str) -> Row:
        """The journal row of a measurement; `raw` as `json_text` gives it."""
        get, numbering = said.get, self._numbering
        lot, serial = get("lot", ""), get("serial", "")
        key = (get("channel", ""), lot, get("operator", ""), serial != "", size.verdict, size.side,
               numbering.flagged(flags))
        form = self._forms.get(key)
        if form is None:
            if len(self._forms) >= _MOST_FORMS:
                self._forms.clear()
            form = self._forms[key] = self._form(*key)
        texts = size.value, size.deviation, raw
        if serial:
            texts = serial if serial.isalnum() else _inner(serial), *texts
        return numbering.filled(form, MEASUREMENT, wall_ns, self._port.name, self._one.part, lot, texts)

    def _form(self, channel: str, lot: str, operator: str, has_serial: bool, verdict: str, side: str,
              flags: tuple[str, ...]) -> str:
        """To be filled with seq, seq again, time, serial where it has one, value, deviation, raw."""
        record = Record(**{**self._constants, "channel": channel, "lot": lot, "operator": operator, "verdict": verdict,
                           "side": side}, seq=0, id=self._numbering.id("\0i"), time="\0t", kind=MEASUREMENT,
                        site=self._numbering.site, port=self._port.name, serial="\0s" if has_serial else "",
                        value=_NUMBER, unit=self._one.unit.value, deviation=_NUMBER, flags=flags, raw="\0r")
        text = encode(record).decode().replace("%", "%%").replace(bytes(_NUMBER).decode(), "%s")
        for mark, place in _PLACES.items():
            text = text.replace(mark, place, 1)
        return text


def json_text(data: bytes, encoding: str) -> str:
    """Bytes from the wire as a record's `raw` writes them, and as that stands between the quotes of a JSON string."""
    if not data.translate(None, _PLAIN):
        return data.decode("ascii")
    return _inner(escape(data, encoding))


def _inner(text: str) -> str:
    if text.isprintable() and '"' not in text and "\\" not in text:
        return text
    return msgspec.json.encode(text).decode()[1:-1]
