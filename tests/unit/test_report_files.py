"""A report from files instead of a journal, and the files that a report writes: what is read, refused, replaced."""

import html
import json
import subprocess
import sys
from datetime import datetime, timezone

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.errors import CollectorError
from collector.journal import JournalReader
from collector.outputs.csv_file import csv_header, csv_lines
from collector.pages.replacing import digest, refuse_foreign, write
from collector.record import FIELDS
from collector.report.figures import Wanted
from collector.report.made import make
from collector.report.record_files import RecordFiles
from collector.report.selection import Selection
from collector.report.tables import as_json
from collector.report.writing import places
from tests.report_cell import CONFIG, housings

NOW = datetime(2026, 3, 3, tzinfo=timezone.utc)
KINDS = ("report",)
OURS = b'<!doctype html><meta name="generator" content="column-collector report"><meta name="tables" content="a.csv=%s ">'


@pytest.fixture(scope="module")
def lot(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lot")
    (folder / "cell.yaml").write_text(CONFIG)
    housings(folder / "state", 40)
    return folder


@pytest.fixture(scope="module")
def bodies(lot):
    journal = JournalReader.open(lot / "state")
    found = [row.body for row in journal.select()]
    journal.close()
    return found


def told(source, **more):
    found = json.loads(as_json(make(source, Selection(), Wanted(), NOW, **more), ""))
    del found["trace"]
    return found


def as_csv(bodies, delimiter=",", decimal=".", bom=False, columns=FIELDS):
    return csv_header(columns, delimiter, bom) + b"".join(csv_lines(bodies, columns, delimiter, decimal))


@pytest.mark.parametrize("form", ["jsonl", "csv", "european", "two", "resent"])
def test_files_say_what_the_journal_says(lot, bodies, tmp_path, form):
    lines = [body + b"\n" for body in bodies]
    made = {"jsonl": {"a": b"".join(lines)}, "csv": {"a": as_csv(bodies)},
            "european": {"a": as_csv(bodies, ";", ",", True)},
            "two": {"b": b"".join(lines[:70]), "a": as_csv(bodies[70:])},
            "resent": {"a": b"".join(lines[:20] + lines[21:]), "b": lines[20]}}[form]
    for name, data in made.items():
        (tmp_path / name).write_bytes(data)
    journal = JournalReader.open(lot / "state")
    assert told(RecordFiles([tmp_path / name for name in made])) == told(journal)
    journal.close()


@pytest.mark.parametrize("change, said", [
    (lambda lines: [*lines[:2], b"{broken\n", *lines[2:]], r":3: this is no record: "),
    (lambda lines: [*lines[:4], lines[4][:-9]], r":5: the line has no end"),
    (lambda lines: [*lines[:4], lines[0]], r"record 1 comes again, or stands behind record 4"),
    (lambda lines: [lines[4].replace(b'"value":', b'"value":"x","v":')], r":1: this is no record: value"),
    (lambda lines: [lines[4].replace(b'"unit":"mm"', b'"unit":"ell"')], r":1: this is no record: unit 'ell'"),
    (lambda lines: [b"\xff\xfe{"], r"it is not UTF-8")])
def test_a_broken_file_of_lines_is_refused_with_its_place(bodies, tmp_path, change, said):
    (tmp_path / "a.jsonl").write_bytes(b"".join(change([body + b"\n" for body in bodies])))
    with pytest.raises(CollectorError, match=f"a.jsonl.*{said}"):
        told(RecordFiles([tmp_path / "a.jsonl"]))


@pytest.mark.parametrize("change, said", [
    (lambda lines: [lines[0], lines[1], b"1,2,3\r\n"], r":3: this is no record: 3 cells, the header has 24"),
    (lambda lines: [*lines[:3], lines[3][:-30]], r":4: the line has no end"),
    (lambda lines: [lines[0].replace(b"seq", b"number")], r":1: this is no file of records: column seq"),
    (lambda lines: [lines[0].replace(b"raw", b"rawer")], r":1: a record has no field 'rawer'"),
    (lambda lines: [lines[0], lines[5].replace(b"25.0", b"25.O")], r":2: this is no record: \w+ '25.O\d+' is no number")])
def test_a_broken_file_of_csv_is_refused_with_its_place(bodies, tmp_path, change, said):
    lines = as_csv(bodies).splitlines(keepends=True)
    (tmp_path / "a.csv").write_bytes(b"".join(change(lines)))
    with pytest.raises(CollectorError, match=f"a.csv{said}"):
        told(RecordFiles([tmp_path / "a.csv"]))


@settings(max_examples=150)
@given(st.data())
def test_a_file_cut_or_changed_anywhere_is_read_or_refused_in_words(tmp_path_factory, bodies, data):
    """Nothing but a CollectorError comes out of a damaged file."""
    whole = data.draw(st.sampled_from([as_csv(bodies[:12]), b"".join(body + b"\n" for body in bodies[:12])]))
    at = data.draw(st.integers(0, len(whole) - 1))
    damaged = data.draw(st.sampled_from([whole[:at], whole[:at] + bytes([data.draw(st.integers(0, 255))]) + whole[at + 1:]]))
    path = tmp_path_factory.mktemp("damaged") / "a"
    path.write_bytes(damaged)
    try:
        told(RecordFiles([path]))
    except CollectorError as error:
        assert str(error)


def test_records_of_two_journals_make_no_report(bodies, tmp_path):
    later = bodies[6].replace(b'"seq":7,', b'"seq":9999,').replace(b'"id":"cell-4-', b'"id":"cell-4-OTHER')
    (tmp_path / "a").write_bytes(b"".join(body + b"\n" for body in (*bodies, later)))
    with pytest.raises(CollectorError, match="records of several journals"):
        told(RecordFiles([tmp_path / "a"]))


def test_tables_lie_beside_the_page_under_its_name(tmp_path):
    assert places(tmp_path / "out", ["a.csv"]) == (tmp_path / "out/report.html", {"a.csv": tmp_path / "out/a.csv"})
    assert places(tmp_path / "L1.html", ["a.csv"]) == (tmp_path / "L1.html", {"a.csv": tmp_path / "L1-a.csv"})


def test_a_file_that_is_no_report_is_never_replaced(tmp_path):
    page, table = tmp_path / "report.html", tmp_path / "a.csv"
    for path in (page, table):
        path.write_bytes(b"somebody's work")
        with pytest.raises(CollectorError, match=f"{path.name} is in the way.*nothing was written, --force replaces it"):
            refuse_foreign(page, {table: b"new"}, False, KINDS)
        refuse_foreign(page, {table: b"new"}, True, KINDS)
        path.unlink()
    (tmp_path / "a.csv").mkdir()
    with pytest.raises(CollectorError, match="is no file"):
        refuse_foreign(page, {table: b"new"}, True, KINDS)


def test_a_report_of_ours_is_replaced_but_not_a_table_that_was_changed_since(tmp_path):
    page, table = tmp_path / "report.html", tmp_path / "a.csv"
    write(page, OURS % digest(b"old").encode(), {table: b"old"})
    refuse_foreign(page, {table: b"new"}, False, KINDS)
    table.write_bytes(b"new")                             # a report that was broken off between table and page
    refuse_foreign(page, {table: b"new"}, False, KINDS)
    table.write_bytes(b"old, with a remark")
    with pytest.raises(CollectorError, match="was changed since"):
        refuse_foreign(page, {table: b"new"}, False, KINDS)


@pytest.mark.parametrize("name", ["of lot 7-a.csv", "a&b-a.csv", "a=b-a.csv", 'a"b-a.csv'])
def test_a_table_is_known_again_whatever_its_name(tmp_path, name):
    page, table = tmp_path / "report.html", tmp_path / name
    told = f"first.csv={digest(b'')} {html.escape(name)}={digest(b'old')} "
    write(page, OURS.replace(b"a.csv=%s ", told.encode()), {table: b"old"})
    refuse_foreign(page, {table: b"new"}, False, KINDS)


def test_a_page_of_ours_of_another_kind_is_not_replaced(tmp_path):
    page = tmp_path / "report.html"
    page.write_bytes(OURS.replace(b"report", b"study plan"))
    for kinds in (KINDS, ("study",)):
        with pytest.raises(CollectorError, match=f"no {kinds[0]} of ours"):
            refuse_foreign(page, {}, False, kinds)


def test_a_link_in_the_way_is_not_followed(tmp_path):
    page, elsewhere = tmp_path / "report.html", tmp_path / "elsewhere"
    elsewhere.write_bytes(OURS % b"")
    page.symlink_to(elsewhere)
    with pytest.raises(CollectorError, match="is no file"):
        refuse_foreign(page, {}, True, KINDS)


def test_the_command_replaces_its_own_report_and_refuses_another_file(lot, tmp_path):
    words = [sys.executable, "-m", "collector", "report", str(lot / "cell.yaml"), "--to", str(tmp_path / "out")]
    assert subprocess.run(words, capture_output=True).returncode == 0
    before = (tmp_path / "out/figures.csv").read_bytes()
    assert subprocess.run(words, capture_output=True).returncode == 0
    assert (tmp_path / "out/figures.csv").read_bytes() == before
    (tmp_path / "out/events.csv").write_bytes(b"mine\n")
    told = subprocess.run(words, capture_output=True, text=True)
    assert told.returncode == 1 and "events.csv is in the way" in told.stderr
    assert (tmp_path / "out/events.csv").read_bytes() == b"mine\n"
    assert subprocess.run([*words, "--force"], capture_output=True).returncode == 0
