"""A study out of a table: read as it stands, or refused with the place of every fault."""

import csv
import io
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.errors import StoppedByIO
from collector.study.table import TableRefused, read_table


def read(tmp_path, text: str | bytes, **options):
    path = tmp_path / "t.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return [(one.part, one.operator, one.value, one.trial, one.line) for one in read_table(path, **options)]


def refusal(tmp_path, text: str | bytes, **options) -> list[str]:
    with pytest.raises(TableRefused) as refused:
        read(tmp_path, text, **options)
    return str(refused.value).replace(f"{tmp_path}/", "").splitlines()


def test_columns_may_stand_in_any_order_beside_others(tmp_path):
    text = '\ufeffvalue,note,trial,operator,part\r\n12.0030,"a ""b"", c",1,anna,H1\r\n\r\n -0.5 ,,2,ben, H2 \r\n'
    assert read(tmp_path, text) == [("H1", "anna", Decimal("12.0030"), 1, 2), ("H2", "ben", Decimal("-0.5"), 2, 4)]


def test_decimal_comma_goes_with_semicolons(tmp_path):
    assert read(tmp_path, "part;operator;value\nH1;anna;12,003\n", comma=True) == [("H1", "anna", Decimal("12.003"), 0, 2)]


def test_columns_may_have_other_names(tmp_path):
    text = "serial,who,value\nH1,anna,1\n"
    assert read(tmp_path, text, called={"part": "serial", "operator": "who"})[0][:2] == ("H1", "anna")


def test_a_cell_in_quotes_may_hold_line_ends_and_the_lines_are_still_counted(tmp_path):
    text = 'part,operator,value,note\n"H\n1","an,na",1,"a\r\nb\n\nc"\nH2,ben,x,\n'
    assert refusal(tmp_path, text) == ["t.csv:7:8: 'x' is no value; write plain digits, as in 25.0031"]


@pytest.mark.parametrize(("text", "said"), [
    ("", ["t.csv:1:1: there is no column 'part'; the first line names them, separated by ,; it says ",
          "t.csv:1:1: there is no column 'operator'; the first line names them, separated by ,; it says ",
          "t.csv:1:1: there is no column 'value'; the first line names them, separated by ,; it says "]),
    ("part,operator,value\n", ["t.csv:2:1: there is no reading below the names of the columns"]),
    ("part,operator,value,part\n1,a,1,2\n", ["t.csv:1:21: there are two columns 'part'"]),
    ("part,operator,value\nH1,anna,12,003\n", ["t.csv:2:12: 4 cells, where the first line has 3; a decimal comma needs its option"]),
    ("part,operator,value\nH1,anna\n", ["t.csv:2:4: 2 cells, where the first line has 3; a decimal comma needs its option"]),
    ("part,operator,value\nH1,,1e3\n", ["t.csv:2:4: no operator", "t.csv:2:5: '1e3' is no value; write plain digits, as in 25.0031"]),
    ("part,operator,value\nH1,anna,NaN\nH1,anna,\n", ["t.csv:2:9: 'NaN' is no value; write plain digits, as in 25.0031",
                                                     "t.csv:3:9: '' is no value; write plain digits, as in 25.0031"]),
    ("part,operator,value\nH1,anna,٣\n", ["t.csv:2:9: '٣' is no value; write plain digits, as in 25.0031"]),
    ("part,operator,value,trial\nH1,anna,1,0\n", ["t.csv:2:11: '0' is no trial; trials are counted 1, 2, 3 ..."]),
    ("part,operator,value,trial\nH1,anna,1,1\nH2,anna,1,1\nH1,anna,2,1\n",
     ["t.csv:4:1: trial 1 of part 'H1' by 'anna' stands in line 2 already"]),
    ('part,operator,value\nH1,"anna,1\n', ["t.csv:2:4: a quote that does not end, or text behind it"]),
    ('part,operator,value\nH1,"an"na,1\n', ["t.csv:2:4: a quote that does not end, or text behind it"]),
])
def test_every_fault_has_its_place(tmp_path, text, said):
    assert refusal(tmp_path, text) == said


def test_a_point_where_a_comma_was_said_is_refused(tmp_path):
    assert refusal(tmp_path, "part;operator;value\nH1;anna;12.003\n", comma=True) == [
        "t.csv:2:9: '12.003' is no value; write plain digits, as in 25,0031"]


def test_bytes_that_are_no_utf_8_have_a_place(tmp_path):
    assert refusal(tmp_path, b"part,operator,value\nH1,J\xfcrg,1\n") == ["t.csv:2:5: this is no UTF-8; save it as UTF-8"]


def test_the_first_twenty_faults_are_shown_and_the_rest_counted(tmp_path):
    said = refusal(tmp_path, "part,operator,value\n" + "H1,anna,x\n" * 30)
    assert len(said) == 21 and said[-1] == "and 10 more"


def test_a_table_that_is_not_there_is_an_error_of_io(tmp_path):
    with pytest.raises(StoppedByIO):
        read_table(tmp_path / "none.csv")


TEXT = st.text(st.characters(codec="utf-8", exclude_characters="\0"), min_size=1, max_size=10).filter(lambda text: text == text.strip())


@given(st.lists(st.tuples(TEXT, TEXT, st.decimals(-1000, 1000, places=4)), min_size=1, max_size=8), st.booleans(), st.sampled_from(["\r\n", "\n"]))
def test_what_the_standard_writer_of_csv_has_written_is_read_as_it_was(tmp_path_factory, rows, comma, end):
    text = io.StringIO()
    writer = csv.writer(text, delimiter=";" if comma else ",", lineterminator=end, quoting=csv.QUOTE_ALL)
    writer.writerow(["part", "operator", "value"])
    writer.writerows([part, operator, f"{value:f}".replace(".", "," if comma else ".")] for part, operator, value in rows)
    path = tmp_path_factory.getbasetemp() / "written.csv"
    path.write_bytes(text.getvalue().encode())
    assert [(one.part, one.operator, one.value) for one in read_table(path, comma)] == rows


@given(st.text(st.sampled_from('a1,;."\r\n'), max_size=40))
def test_no_text_makes_anything_else_than_readings_or_a_refusal(tmp_path_factory, text):
    path = tmp_path_factory.getbasetemp() / "any.csv"
    path.write_bytes(b"part,operator,value\n" + text.encode())
    try:
        read_table(path)
    except TableRefused as refused:
        assert refused.faults and all(one.line >= 1 and one.column >= 1 for one in refused.faults)
