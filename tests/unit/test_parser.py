"""The parser: readings as sent, digit for digit; whatever can't be read has its reason; no bytes make it raise."""

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.frames.checksum import Checksum
from collector.frames.parser import FormatSpec, build_parser
from collector.frames.refused import FormatRefused
from collector.frames.sent_time import SentTimeSpec
from collector.record import Mark, OverRange, Reading, Unread

VALUE = r"(?P<value>[+-]?[\d.,_eE]*)"


def parser(**spec):
    return build_parser(FormatSpec(**{"name": "f", "unit": "mm", **spec}))


def values(found):
    return [(str(one.value), one.unit, one.said.get("channel", "")) for one in found]


def test_pattern_names_its_groups():
    read = parser(pattern=r"^(?P<channel>\w+) +(?P<value>\S+) *(?P<unit>in)?(?P<status>!)?$").parse
    assert read(b"A1 +1.10 in!") == [Reading(Decimal("1.10"), "in", {"channel": "A1", "status": "!"})]
    assert read(b"A1 -.5") == [Reading(Decimal("-0.5"), "mm", {"channel": "A1"})]


def test_repeat_gives_every_match_and_without_it_two_are_none():
    spec = {"pattern": r"(?P<channel>[A-Z])(?P<value>[+-]\d+\.\d+)"}
    assert values(parser(**spec, repeat=True).parse(b"A+1.0 B-2.0")) == [("1.0", "mm", "A"), ("-2.0", "mm", "B")]
    found = parser(**spec).parse(b"A+1.0 B-2.0")
    assert isinstance(found, Unread) and found.reason == "no-match"


def test_fields_and_positions():
    fields = parser(delimiter=";", fields=("channel", "-", "value"))
    assert values(fields.parse(b"A1; x ; 12.5")) == [("12.5", "mm", "A1")]
    assert fields.parse(b"A1;12.5").reason == "no-match"
    several = parser(delimiter=";", fields=("channel", "value"), repeat=True)
    assert values(several.parse(b"A;1;B;2")) == [("1", "mm", "A"), ("2", "mm", "B")]
    assert several.parse(b"A;1;B").reason == several.parse(b"A;1;2").reason == "no-match"
    places = parser(positions={"channel": (1, 2), "value": (4, 10)})
    assert values(places.parse(b"A1 +12.018 mm")) == [("12.018", "mm", "A1")]
    assert places.parse(b"A1").reason == "no-match"


@pytest.mark.parametrize("text, value", [("12.0180", "12.0180"), ("+12", "12"), ("-0.5", "-0.5"), ("- 0.5", "-0.5"), (".0005", "0.0005"),
                                         ("0012.5", "12.5"), ("999999999999999.999", "999999999999999.999")])
def test_numbers_are_read_digit_for_digit(text, value):
    assert parser(delimiter=";", fields=("value",)).parse(text.encode())[0].value.compare_total(Decimal(value)) == 0


@pytest.mark.parametrize("text", ["", "-", "+-1", "1_000", "1e3", "1e400", "NaN", "inf", "Infinity", "0x1F", "1.2.3", "12,018", "1 000",
                                  "1234567890123456789.5", "12.5mm", ".", "--1"])
def test_what_is_no_plain_number_is_unread(text):
    found = parser(delimiter=";", fields=("value",)).parse(text.encode())
    assert isinstance(found, Unread) and found.reason == "number", found


@pytest.mark.parametrize("text", ["١٢", "１２", "12\u00a0"])
def test_digits_of_other_scripts_are_no_digits(text):
    assert parser(delimiter=";", fields=("value",), encoding="utf-8").parse(text.encode()).reason == "number"
    assert parser(delimiter=";", fields=("value",)).parse(text.encode()).reason == "encoding"


def test_decimal_comma_implied_decimals_and_scale():
    field = {"delimiter": ";", "fields": ("value",)}
    assert str(parser(**field, decimal=",").parse(b"12,0180")[0].value) == "12.0180"
    assert parser(**field, decimal=",").parse(b"12.018").reason == "number"
    assert str(parser(**field, implied_decimals=3).parse(b"-12018")[0].value) == "-12.018"
    assert parser(**field, implied_decimals=3).parse(b"12.018").reason == "number"
    assert str(parser(**field, scale=Decimal("0.001")).parse(b"18")[0].value) == "0.018"


def test_over_range_as_a_whole_frame_or_as_a_value():
    read = parser(pattern=r"^(?P<channel>[A-Z]\d) +(?P<value>\S+)$", over_range=("OPEN", "------")).parse
    assert read(b" OPEN ") == [OverRange("OPEN", {})]
    assert read(b"A1 ------") == [OverRange("------", {"channel": "A1"})]


def test_kinds_map_the_frame_s_texts_and_an_unknown_one_is_unread():
    read = parser(pattern=r"^(?P<kind>\w+) (?P<value>\S+)$", kinds={"RING": "master"}).parse
    assert read(b"RING 12.0")[0].said == {"kind": "master"}
    assert read(b"RONG 12.0").reason == "no-match"


def test_a_frame_that_marks_a_sweep_or_serves_a_context_needs_no_value():
    read = parser(pattern=r"^(?P<kind>\w+)(?: (?P<value>\S+))?$", kinds={"GO": "sweep-start", "PART": "measurement"}).parse
    assert read(b"GO") == [Mark({"kind": "sweep-start"})]
    assert read(b"PART").reason == "no-match"
    assert parser(pattern=r"^LOT (?P<lot>\w+)$", context_only=True).parse(b"LOT 7") == [Mark({"lot": "7"})]


def test_bad_bytes_and_nuls_are_never_data():
    read = parser(pattern=r"(?P<value>\d+\.\d+)").parse
    assert [read(data).reason for data in (b"12.\xb518", b"12.018\x00", b"\x00")] == ["encoding"] * 3


def test_checksum_is_checked_before_anything_is_read_and_cut_off():
    read = parser(pattern=r"^(?P<value>\d+\.\d+)$", checksum=Checksum("xor", after=b"*")).parse
    assert values(read(b"12.018*14")) == [("12.018", "mm", "")] == values(read(b"12.018*14"))
    assert [read(data).reason for data in (b"12.018*15", b"12.018", b"12.019*14", b"*", b"", b"12.018*1")] == ["checksum"] * 6


@pytest.mark.parametrize("pattern, data", [
    (r".*(?P<value>[+-]?\d+\.\d+)", b"A1 -12.018"), (r"^(?P<channel>\w+)(?P<value>\d+\.\d+)$", b"CH12.018"),
    (r"^[^;]*(?P<value>\d+\.\d+)$", b"A1 12.018"), (r" *(?P<value>\d+\.\d+)", b"A1 -  12.018"), (r"(?P<value>\d+\.\d{3})", b"12.0185"),
    (r"^(?P<value>\d+\.\d{3}).*$", b"12.0185"), (r"(?P<value>\d+\.\d{3})(?P<status>\w*)", b"12.0185"), (r"(?P<value>\d+)\S*", b"12.018"),
    (r"(?P<value>\d+\.\d+)(?P<unit>\w*)", b"12.018E3"), (r"^.*?(?P<value>\d+\.\d+)$", b"A1 -12.018"),
    (r"(?P<value>[^()]\d*\.\d{3})\S*", b"12.0185"), (r"(?P<value>[(]?\d+\.\d{3})\S*", b"12.0185"),
])
@pytest.mark.parametrize("repeat", [False, True])
def test_a_part_of_a_number_is_never_taken_for_the_whole(pattern, data, repeat):
    found = parser(pattern=pattern, repeat=repeat).parse(data)
    assert isinstance(found, Unread) and found.reason == "number", found


@pytest.mark.parametrize("pattern, data, value", [
    (r".*?(?P<value>[+-]?\d+\.\d+)", b"A1 -12.018", "-12.018"), (r".*(?P<value>[+-]\d+\.\d+)", b"A1 -12.018", "-12.018"),
    (r"^(?P<channel>\d)(?P<value>\d{5})$", b"112018", "12018"), (r"^[A-Z]+(?P<value>\d+\.\d+)", b"CH12.018", "12.018"),
    (r"^\S+ +(?P<value>\d+\.\d+).*$", b"A-1 12.018 mm 7", "12.018"), (r"(?P<value>\d{2}\.\d{3})(?P<status>[0-9]*)$", b"12.0185", "12.018"),
    (r"(?P<value>\d+\.\d+)(?P<unit>\w*)", b"12.018in", "12.018"), (r"A-\.*(?P<value>\d+\.\d+)", b"A-12.018", "12.018"), (r"\((?P<value>\d+\.\d+)\).*", b"A (12.018)5", "12.018"),
])
def test_digits_beside_a_value_are_fine_where_the_pattern_asks_for_them(pattern, data, value):
    assert [str(one.value) for one in parser(pattern=pattern).parse(data)] == [value]


@pytest.mark.parametrize("encoding", ["gb18030", "gbk", "big5", "shift_jis", "iso2022_jp", "raw_unicode_escape", "utf-16", "zlib", "rot13", "none"])
def test_an_encoding_in_which_a_digit_may_be_half_a_character_is_refused(encoding):
    with pytest.raises(FormatRefused) as refused:
        parser(pattern=VALUE, encoding=encoding)
    assert refused.value.key == "encoding"


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp1252", "utf-8", "koi8-r", "euc_kr"])
def test_an_encoding_that_keeps_ascii_apart_is_taken(encoding):
    assert values(parser(pattern=VALUE, encoding=encoding).parse(b"12.018")) == [("12.018", "mm", "")]


@pytest.mark.parametrize("factor", ["1." + "3" * 199, "1e999999", "1e-300", "0", "NaN"])
def test_a_scale_that_no_value_could_bear_is_refused(factor):
    with pytest.raises(FormatRefused) as refused:
        parser(pattern=VALUE, scale=Decimal(factor))
    assert refused.value.key == "scale"


@pytest.mark.parametrize("decimals", [-3, 19])
def test_implied_decimals_beyond_the_digits_of_a_value_are_refused(decimals):
    with pytest.raises(FormatRefused) as refused:
        parser(pattern=VALUE, implied_decimals=decimals)
    assert refused.value.key == "implied-decimals"


@pytest.mark.parametrize("spec, key", [
    ({"pattern": r"\d+"}, "pattern"), ({"pattern": r"(?P<valeu>\d+)"}, "pattern"), ({"pattern": r"(?P<value>\d+)(?=x)"}, "pattern"),
    ({"pattern": r"(?P<value>\d+)\1"}, "pattern"), ({"pattern": "("}, "pattern"), ({"delimiter": ";", "fields": ("channel",)}, "fields"),
    ({"delimiter": ";", "fields": ("value", "value")}, "fields"), ({"positions": {"channel": (1, 2)}}, "positions"),
    ({"delimiter": ";", "fields": ("value",), "checksum": Checksum("crc-99")}, "checksum"),
])
def test_a_format_that_can_not_work_is_refused_by_its_key(spec, key):
    with pytest.raises(FormatRefused) as refused:
        parser(**spec)
    assert refused.value.key.split(".")[0] == key and refused.value.what


def test_a_careless_pattern_takes_no_more_time_than_any_other():
    assert parser(pattern=r"(?:\d+\s*)+(?P<value>\d)mm$").parse(b"1" * 1000).reason == "no-match"


SPECS = [
    {"pattern": VALUE}, {"pattern": r"(?P<channel>.)(?P<value>\S+)", "repeat": True, "encoding": "latin-1"},
    {"delimiter": ",", "fields": ("channel", "value", "unit"), "decimal": "."}, {"positions": {"value": (2, 5), "unit": (6, 7)}, "encoding": "utf-8"},
    {"pattern": VALUE, "checksum": Checksum("sum16", after=b"*", from_=b"$")},
    {"pattern": r"(?P<time>\S+) (?P<value>\S+)", "time": SentTimeSpec("%Y-%m-%dT%H:%M:%S", "Europe/Berlin")},
]


@pytest.mark.parametrize("spec", SPECS, ids=range(len(SPECS)))
@settings(max_examples=200)
@given(data=st.one_of(st.binary(max_size=40), st.text("$*,.+-0123456789AB \x00é:T", max_size=40).map(lambda text: text.encode())))
def test_no_bytes_make_it_raise(spec, data):
    found = parser(**spec).parse(data)
    assert isinstance(found, Unread) or found
