"""Records as text: digits untouched, bytes shown and read back, no exponent anywhere."""

import json
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.clock import Stamps
from collector.record import FIELDS, Record, decode, detail, encode, escape, number, unescape


@pytest.mark.parametrize("value, text", [("1.10", "1.10"), ("0E-8", "0.00000000"), ("-0.000", "0.000"), ("5E-7", "0.0000005"),
                                         ("-5E-7", "-0.0000005"), ("1E+3", "1000"), ("12.018", "12.018")])
def test_numbers_are_plain_digits(value, text):
    assert bytes(number(Decimal(value))).decode() == text


@given(st.decimals(allow_nan=False, allow_infinity=False, places=9))
def test_a_number_reads_back_as_itself_and_has_no_exponent(value):
    text = bytes(number(value)).decode()
    assert Decimal(text) == value and "E" not in text and json.loads(text, parse_float=Decimal) == value


@given(st.binary(max_size=60), st.sampled_from(["ascii", "latin-1", "cp1252", "utf-8"]))
def test_bytes_shown_as_raw_read_back_as_the_same_bytes(data, encoding):
    shown = escape(data, encoding)
    assert shown.isprintable() or shown == ""
    assert unescape(shown, encoding) == data


def test_escape_shows_controls_bad_bytes_and_backslashes():
    assert escape(b"A\\1\x00\x1b\xff") == "A\\\\1\\x00\\x1b\\xff"
    with pytest.raises(ValueError, match="backslash"):
        unescape("a\\q")


def test_absent_fields_are_left_out_and_order_is_the_contract_s():
    record = Record(seq=1, id="s-J-1", time="t", kind="measurement", value=number(Decimal("12.0180")), class_="A", flags=("no-part",),
                    detail=detail({"spread": Decimal("1E-7"), "n": 3}))
    text = encode(record)
    assert text == b'{"seq":1,"id":"s-J-1","time":"t","kind":"measurement","value":12.0180,"class":"A","flags":["no-part"],' \
                   b'"detail":{"spread":0.0000001,"n":3}}'
    assert decode(text) == record
    assert ",".join(FIELDS) == ("seq,id,time,kind,site,port,channel,part,characteristic,serial,lot,operator,value,unit,deviation,"
                                "nominal,lower,upper,verdict,side,class,flags,raw,detail")


def test_times_are_utc_with_six_decimals_also_when_the_clock_steps_back():
    stamps = Stamps()
    assert stamps.text(1_772_435_700_000_123_999) == "2026-03-02T07:15:00.000123Z"
    assert stamps.text(1_772_435_699_999_999_999) == "2026-03-02T07:14:59.999999Z"
    assert stamps.text(0) == "1970-01-01T00:00:00.000000Z"
