"""CSV: RFC 4180, digits untouched, text that can't become a formula."""

import csv
import io
import json
import sys
from argparse import ArgumentParser
from decimal import Decimal

import duckdb
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import Raw
from pydantic import ValidationError

from collector.commands import export
from collector.errors import CollectorError, RecordRefused
from collector.journal import Journal, Row
from collector.outputs import csv_file
from collector.outputs.csv_file import CsvLines, Settings, csv_header, csv_lines, guarded
from collector.record import FIELDS, Record, detail, encode, number


def record(**fields):
    return encode(Record(**{"seq": 7, "id": "cell-4-A-7", "time": "2026-03-02T07:15:00.000123Z", "kind": "measurement", **fields}))


def lines(bodies, columns, **options):
    return b"".join(csv_lines(bodies, columns, **options))


def cells(body, columns=FIELDS, **options):
    line = lines([body], columns, **options).decode()
    assert line.endswith("\r\n")
    read, = csv.reader(io.StringIO(line, newline=""), delimiter=options.get("delimiter", ","), strict=True)
    return dict(zip(columns, read, strict=True))


def test_the_header_has_the_fields_in_contract_order():
    assert csv_header(FIELDS).decode() == (
        "seq,id,time,kind,site,port,channel,part,characteristic,serial,lot,operator,value,unit,deviation,nominal,lower,upper,"
        "verdict,side,class,flags,raw,detail\r\n")
    assert csv_header(("seq", "value"), ";", bom=True) == b"\xef\xbb\xbfseq;value\r\n"


def test_numbers_are_the_digits_of_the_journal_sign_and_zeros_included():
    found = cells(record(value=number(Decimal("12.0180")), deviation=number(Decimal("-0.00200000000000000000001"))))
    assert (found["value"], found["deviation"], found["nominal"]) == ("12.0180", "-0.00200000000000000000001", "")


def test_a_decimal_comma_changes_numbers_only():
    found = cells(record(value=number(Decimal("12.018")), lot="1.5", detail=detail({"x": Decimal("1.5")})), delimiter=";", decimal=",")
    assert (found["value"], found["lot"], found["detail"], found["time"][-8:]) == ("12,018", "1.5", '{"x":1.5}', ".000123Z")


@pytest.mark.parametrize(("text", "written"), [
    ("=1+1", "'=1+1"), ("+12.018", "'+12.018"), ("-5", "'-5"), ("@sum", "'@sum"), ("plain", "plain"), ("a=b", "a=b"),
    ("\t=1", "\\x09=1"), ("a\r\nb", "a\\x0d\\x0ab"), ("\x1b[31m", "\\x1b[31m"), ("\x9b1m", "\\x9b1m"), ("\x00", "\\x00"), ("", "")])
def test_a_text_is_no_formula_and_has_no_control_characters(text, written):
    assert guarded(text) == written
    assert cells(record(lot=text))["lot"] == written


def test_flags_are_joined_and_detail_is_json():
    found = cells(record(flags=("no-part", "overdue-master"), detail=detail({"why": 'a "b", c\x7f', "n": Decimal("0.10")}), class_="A"))
    assert (found["flags"], found["class"]) == ("no-part;overdue-master", "A")
    assert json.loads(found["detail"]) == {"why": 'a "b", c\x7f', "n": 0.1}
    assert "\x7f" not in found["detail"] and "0.10" in found["detail"]


def test_columns_are_those_asked_for_in_that_order():
    assert lines([record(lot="L9")], ("lot", "seq")) == b"L9,7\r\n"


def test_a_single_empty_column_is_no_empty_line():
    assert lines([record()], ("lot",)) == b'""\r\n'


@given(st.text(st.characters(exclude_categories=["Cs"]), max_size=30), st.sampled_from([",", ";", "\t", "|"]))
def test_any_text_stays_in_its_cell(text, delimiter):
    found = cells(record(lot=text, serial="next"), delimiter=delimiter)
    assert found["serial"] == "next"
    assert found["lot"] == guarded(text)
    assert found["lot"][:1] not in ("=", "+", "-", "@")


TEXTS = st.sampled_from(["", "L7", "=L7", "-5", "a,b", 'a"b', "Größe", "\u2028", "\x00", "\x7f", "\r\n"])
RECORDS = st.builds(record, lot=TEXTS, serial=TEXTS, raw=TEXTS, class_=TEXTS, flags=st.lists(TEXTS, max_size=2).map(tuple),
                    value=st.decimals(allow_nan=False, allow_infinity=False, places=3).map(number),
                    detail=st.dictionaries(TEXTS, TEXTS, max_size=2).map(detail), seq=st.integers(1, 10**12))


@given(st.lists(RECORDS, max_size=8), st.integers(1, 3))
def test_a_record_is_the_same_line_whatever_stands_beside_it(bodies, at_once):
    with pytest.MonkeyPatch.context() as changed:
        changed.setattr(csv_file, "_AT_ONCE", at_once)
        assert lines(bodies, FIELDS) == b"".join(lines([body], FIELDS) for body in bodies)


def test_what_is_no_record_is_refused_by_its_seq_and_nothing_is_written_in_a_wrong_column():
    rows = [Row(seq, 0, "event", "", "", "", body) for seq, body in enumerate([record(), b"{}", record()], 1)]
    with pytest.raises(RecordRefused) as told:
        CsvLines("mes", Settings(folder="/srv/mes/inbox")).lines(tuple(rows))
    assert told.value.seq == 2
    assert cells(record(value=Raw(b'{"a":\n1}'), lot="L9"))["lot"] == "L9"


def test_an_export_names_what_is_no_record_behind_all_that_was_before_it(tmp_path, capfdbinary):
    (tmp_path / "c.yaml").write_text("site: s\nports: {p: {device: /dev/ttyS9, format: f}}\nformats: {f: {pattern: '(?P<value>[0-9]+)', unit: mm}}\n"
                                     f"outputs: {{o: {{kind: csv, folder: {tmp_path}}}}}\n")
    journal = Journal.open(tmp_path / "state")
    journal.append([Row(seq, seq, "event", "", "", "", b"{}" if seq == 600 else record(seq=seq)) for seq in range(1, 701)])
    journal.close()
    command = ArgumentParser()
    export.add_arguments(command)
    with pytest.raises(CollectorError, match="record 600 in the journal is no record"):
        export.run(command.parse_args([str(tmp_path / "c.yaml"), "--csv"]))
    sys.stdout.flush()
    assert capfdbinary.readouterr().out == csv_header(FIELDS) + lines([record(seq=seq) for seq in range(1, 600)], FIELDS)


@given(st.decimals(allow_nan=False, allow_infinity=False, places=6))
def test_no_number_gets_a_mark_in_front(value):
    assert cells(record(deviation=number(value)))["deviation"] == bytes(number(value)).decode()


def test_another_reader_of_csv_finds_the_same_table(tmp_path):
    path = tmp_path / "x.csv"
    raws = ['a"b', "c,d", "=x", "Größe", " lead"]
    path.write_bytes(csv_header(FIELDS) + lines(
        [record(seq=seq, raw=raw, value=number(Decimal(f"-{seq}.50"))) for seq, raw in enumerate(raws, 1)], FIELDS))
    table = duckdb.sql(f"select seq, raw, value from read_csv('{path}', all_varchar=true, header=true, delim=',', quote='\"')")
    assert table.fetchall() == [(str(seq), guarded(raw), f"-{seq}.50") for seq, raw in enumerate(raws, 1)]


@pytest.mark.parametrize(("given_", "says"), [
    ({"decimal": ","}, 'write delimiter: ";"'), ({"delimiter": "x"}, "can't be the delimiter"),
    ({"columns": ["seq", "sequ"]}, "no field 'sequ'"), ({"columns": ["seq", "seq"]}, "twice"),
    ({"kinds": ["events"]}, "no kind of record 'events'"), ({"checksum-file": "true", "publish": "growing"}, "never touched again"),
    ({"folder": "inbox"}, "not a whole path"), ({"records": "0"}, "whole number from 1"), ({"every": "5"}, "not a time"),
    ({"colums": ["seq"]}, "Extra inputs")])
def test_settings_that_make_no_sense_are_refused(given_, says):
    with pytest.raises(ValidationError, match=says):
        Settings.model_validate({"folder": "/srv/mes/inbox", **given_})


def test_settings_have_the_documented_defaults():
    sealed = Settings.model_validate({"folder": "/srv/mes/inbox"})
    growing = Settings.model_validate({"folder": "/srv/mes/inbox", "publish": "growing"})
    assert (sealed.every_s, growing.every_s, sealed.records, sealed.sentinel) == (10, 0.1, 5000, True)
