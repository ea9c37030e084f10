"""A line that is made of one made before is, byte for byte, the line that would be made without."""

import itertools
from decimal import Decimal
from types import SimpleNamespace

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.outputs import csv_alike
from collector.outputs.csv_file import CsvLines, Settings, csv_lines
from collector.record import FIELDS, Record, detail, encode, number

TEXTS = ("", "000017", "+0.0093", "=1+1", "-12,5;|\tmm", "a \"b\" c", "\\", "\x02\x00", "größer", "100 %b %%", "mark-of-raw", "none",
         "918273645", "'", '"raw":"7"', '"serial":"7"', '\\"raw\\":\\"', "}{", "A1  +12.0093 mm", "@", " ")
text = st.sampled_from(TEXTS) | st.text(max_size=6)
details = st.none() | st.dictionaries(st.sampled_from(["event", "raw", "serial", "seq"]), text | st.integers(), max_size=2)


@st.composite
def bodies(draw) -> list[bytes]:
    """JSON of records of which many say the same, but for what is their own."""
    said = draw(st.lists(st.tuples(text, text, st.sampled_from(["12.0093", "918273645", "1"]), details), min_size=1, max_size=3))
    found = []
    for seq in range(1, draw(st.integers(1, 30))):
        operator, lot, value, more = draw(st.sampled_from(said))
        found.append(encode(Record(
            seq=seq if draw(st.booleans()) else 918273645, id=draw(st.sampled_from([f"cell-4-{seq}", "-cell-4", "mark-of-id", "ä"])),
            time="2026-03-02T07:15:00.000000Z", kind="measurement", operator=operator, lot=lot, value=number(Decimal(value)),
            serial=draw(text), raw=draw(text), **({"detail": detail(more)} if more else {}))))
    return found


columns = st.just(FIELDS) | st.lists(st.sampled_from(FIELDS), min_size=1, unique=True).map(tuple)


@given(bodies(), columns, st.sampled_from(",;\t|"), st.sampled_from(".,"), st.integers(1, 7))
def test_a_line_is_what_it_would_be_made_alone(found, columns, delimiter, decimal, together):
    if delimiter == decimal:
        decimal = "."
    how = {"columns": columns, "delimiter": delimiter, "decimal": decimal}
    lines = CsvLines("mes", Settings(folder="/srv", **how))
    for some in (found[at:at + together] for _ in range(2) for at in range(0, len(found), together)):
        assert lines.lines([SimpleNamespace(body=body, seq=0) for body in some]) == b"".join(csv_lines(some, **how))


class Counting:
    """What `csv_lines` makes, and of how many bodies."""

    def __init__(self, columns=FIELDS):
        self.made, self.columns = 0, columns

    def __call__(self, bodies):
        self.made += len(bodies)
        return b"".join(csv_lines(bodies, self.columns)).split(b"\r\n")[:-1]


def alike_bodies(count: int, first: int = 1, value: str = "12.0093", **more) -> list[bytes]:
    return [encode(Record(seq=seq, id=f"cell-4-X-{seq}", time="2026-03-02T07:15:00.000000Z", kind="measurement", serial=f"{seq:06}",
                          value=number(Decimal(value)), raw=f"+{value} {seq}", **more)) for seq in range(first, first + count)]


@pytest.mark.parametrize("more", [{}, {"detail": detail({"raw": "x", "serial": "y"})}, {"operator": "größer"}], ids=["plain", "detail", "umlauts"])
def test_records_alike_are_made_once_more_and_then_filled_in(more):
    make = Counting()
    alike = csv_alike.Alike(make, ",")
    assert alike.lines(alike_bodies(10, **more)) == Counting()(alike_bodies(10, **more))
    made = make.made
    assert made == 10 + 1                                          # and one with marks
    assert alike.lines(alike_bodies(1000, 11, **more)) == Counting()(alike_bodies(1000, 11, **more))
    assert make.made == made


@pytest.mark.parametrize("odd", [b'{"seq":1}', b"", b"no record", b'{"seq":1,"id":"a","time":"b","raw":"c"', b'{"seq":01,"id":"a","time":"b"}'])
def test_what_is_no_record_is_refused_however_often_it_comes(odd):
    make = Counting()
    alike = csv_alike.Alike(make, ",")
    for _ in range(4):
        with pytest.raises(msgspec.MsgspecError):
            alike.lines([odd])
    assert alike.lines(alike_bodies(3)) == Counting()(alike_bodies(3))


def test_a_record_like_none_before_is_made_by_itself_alone():
    make = Counting()
    found = [body for value in range(1000, 1400) for body in alike_bodies(1, value=f"12.{value}")]
    csv_alike.Alike(make, ",").lines(found)
    assert make.made == 400


def with_raw(raw: str) -> bytes:
    return encode(Record(seq=7, id="a", time="b", kind="c", raw=raw))


@pytest.mark.parametrize("before, then, columns", [
    (with_raw("7"), with_raw("7,8"), FIELDS),
    (with_raw("7"), with_raw('7"8'), FIELDS),
    (with_raw("7"), with_raw("7\r\n8"), FIELDS),
    (with_raw("7"), with_raw("7\\"), FIELDS),
    (with_raw("7"), with_raw("größer"), FIELDS),
    (with_raw("7"), with_raw("7").replace(b'"id":"a","time":"b"', b'"time":"b","id":"a"'), FIELDS),
    (with_raw("7"), with_raw("7").replace(b'"id":"a"', b'"xx":"a"'), FIELDS),
    (with_raw("7"), with_raw("7").replace(b'"seq":7', b'"seq":07'), FIELDS),
    (with_raw("7"), with_raw("7").replace(b'"raw":"7"', b'"raw":"7\x028"'), FIELDS),
    *[(encode(Record(seq=1, id="a", time="b", kind="c", operator=mark, raw="7")),
       encode(Record(seq=2, id="d", time="e", kind="c", operator=mark, serial="", raw="8")), ("operator", "value", "kind"))
      for mark in ("mark-of-id", "mark-of-time", "mark-of-raw", "918273645")],
    (encode(Record(seq=1, id="a", time="b", kind="c", detail=detail({"raw": "x"}))),
     encode(Record(seq=1, id="a", time="b", kind="c", detail=detail({"raw": "=x"}))), FIELDS),
], ids=str)
def test_what_only_looks_alike_is_made_by_itself(before, then, columns):
    def alone(body: bytes) -> list[bytes] | type:
        try:
            return Counting(columns)([body])
        except msgspec.MsgspecError:
            return msgspec.MsgspecError

    alike = csv_alike.Alike(Counting(columns), ",")
    for _ in range(3):
        alike.lines([before])
    for _ in range(3):
        wanted = alone(then)
        if wanted is msgspec.MsgspecError:
            with pytest.raises(wanted):
                alike.lines([then])
        else:
            assert alike.lines([then]) == wanted


def test_what_is_known_has_an_end(monkeypatch):
    monkeypatch.setattr(csv_alike, "_KNOWN", 50)
    make = Counting()
    alike = csv_alike.Alike(make, ",")
    for number_ in itertools.chain(range(200), range(200)):
        found = alike_bodies(3, value=f"12.{number_:04}")
        assert alike.lines(found) == Counting()(found)
        assert len(alike._known) <= 51 and len(alike._once) <= 51
