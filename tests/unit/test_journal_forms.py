"""Rows that are filled into forms: who reads the journal is given the whole record, whatever befalls the file."""

import json
import sqlite3
import threading
from pathlib import Path

import pytest
from tests.unit.test_journal_salvage import PAGE, damaged, leaves

from collector.clock import Stamps
from collector.errors import JournalFailed
from collector.journal import Form, Journal, JournalReader, Row, filling, forms, open_salvage, set_aside, store

MANY = 200
AT_US = 1_772_435_700_000_123


def form(journal: Journal, kind: str = "measurement", port: str = "bore", part: str = "housing", lot: str = "L7",
         value: str = "12.010") -> int:
    said = f'","kind":"{kind}","port":"{port}","part":"{part}","lot":"{lot}","value":{value},"serial":"'
    return journal.forms.add(Form(kind, port, part, lot, (b'{"seq":', b',"id":"s-J-', b'","time":"', said.encode(), b'","raw":"', b'"}')))


def filled(journal: Journal, used: list[int], count: int = MANY) -> list[Row]:
    """So many rows, by turns of these forms (0: whole); serials as a column sends them."""
    rows = []
    for seq in range(journal.next_seq, journal.next_seq + count):
        number = used[seq % len(used)]
        whole = json.dumps({"seq": seq, "kind": "event"}).encode()
        rows.append(Row(seq, AT_US + seq, "measurement", "bore", "", "", filling(b"S%d" % seq, b"raw \\\\ \xc2\xb5"), number)
                    if number else Row(seq, AT_US + seq, "event", "", "", "", whole))
    return rows


def wholes(journal: Journal, rows: list[Row]) -> list[Row]:
    """What these rows are, made here once more."""
    stamps, found = Stamps(), []
    for row in rows:
        if not row.form:
            found.append(row)
            continue
        kind, port, part, lot, pieces = journal.forms._held[row.form]
        serial, raw = row.body.split(b"\0")
        seq, time = str(row.seq).encode(), stamps.text(row.at_us * 1000).encode()
        body = pieces[0] + seq + pieces[1] + seq + pieces[2] + time + pieces[3] + serial + pieces[4] + raw + pieces[5]
        assert json.loads(body)["seq"] == row.seq
        found.append(Row(row.seq, row.at_us, kind, port, part, lot, body))
    return found


def read(folder: Path, **said: object) -> list[Row]:
    reader = JournalReader.open(folder)
    try:
        return list(reader.select(**said))
    finally:
        reader.close()


def stored(folder: Path, statement: str) -> list[tuple]:
    db = sqlite3.connect(folder / "journal.sqlite")
    try:
        return db.execute(statement).fetchall()
    finally:
        db.close()


@pytest.fixture
def few_in_use(monkeypatch):
    monkeypatch.setattr(forms, "IN_USE", 10)
    monkeypatch.setattr(store, "IN_USE", 10)
    monkeypatch.setattr(forms, "HELD", 25)
    monkeypatch.setattr(store, "HELD", 25)


@pytest.fixture
def journal(tmp_path):
    journal = Journal.open(tmp_path)
    yield journal
    journal.close()


def test_many_rows_are_stored_by_their_form_and_read_whole(journal, tmp_path):
    rows = filled(journal, [form(journal), form(journal, value="12.011"), 0])
    journal.append(rows)
    assert read(tmp_path) == wholes(journal, rows)
    assert stored(tmp_path, "SELECT count(*) FROM record WHERE form > 0 AND length(body) < 30") == [(133,)]
    assert stored(tmp_path, "SELECT count(*) FROM forms") == stored(tmp_path, "SELECT count(*) FROM forms_again") == [(2,)]


def test_few_rows_are_stored_whole_and_cost_no_form(journal, tmp_path):
    rows = filled(journal, [form(journal)], 31)
    journal.append(rows)
    assert read(tmp_path) == wholes(journal, rows)
    assert stored(tmp_path, "SELECT count(*) FROM record WHERE form > 0") == stored(tmp_path, "SELECT count(*) FROM forms") == [(0,)]


@pytest.mark.parametrize("said", [{"port": "left"}, {"part": "cover"}, {"lot": "L8"}, {"kinds": ("derived", "event")}, {"kinds": ("event",)},
                                  {"port": "left", "kinds": ("measurement",)}, {"lot": "L8", "part": "housing", "first": 20, "through": 90}])
def test_they_are_selected_by_what_their_form_says(journal, tmp_path, said):
    used = [form(journal), form(journal, port="left"), form(journal, part="cover"), form(journal, lot="L8"), form(journal, kind="derived"), 0]
    rows = filled(journal, used)
    journal.append(rows)
    kinds = said.get("kinds")
    wanted = [row for row in wholes(journal, rows)
              if all(getattr(row, name) == said[name] for name in ("port", "part", "lot") if name in said)
              and (not kinds or row.kind in kinds) and said.get("first", 1) <= row.seq <= said.get("through", MANY)]
    assert wanted and read(tmp_path, **said) == wanted


def test_they_are_counted_by_what_their_form_says_also_when_they_are_trimmed(journal, tmp_path):
    journal.append(filled(journal, [form(journal), form(journal, kind="derived", port="left"), 0], 300))
    each = {("bore", "measurement"): 100, ("left", "derived"): 100, ("", "event"): 100}
    reader = JournalReader.open(tmp_path)
    assert journal.kinds() == each == reader.kinds(0, 300)
    reader.close()
    gone = []
    assert journal.trim(300, AT_US + 10**9, counted=lambda counted: gone.append(dict(counted)) or {}) == 300
    assert gone == [each]


def test_numbers_go_on_at_the_next_start_and_older_rows_stay_readable(tmp_path):
    first = Journal.open(tmp_path)
    before = filled(first, [form(first), form(first)])
    first.append(before)
    first.close()
    again = Journal.open(tmp_path)
    behind = filled(again, [form(again, value="99")])
    assert behind[0].form == 3
    again.append(behind)
    assert read(tmp_path) == wholes(first, before) + wholes(again, behind)
    again.close()


def test_a_form_whose_commit_failed_goes_with_the_next_one(journal, tmp_path):
    rows = filled(journal, [form(journal)])
    journal.begin(rows, {})
    journal._roll_back()
    with pytest.raises(JournalFailed, match="no transaction is active"):
        journal.finish()
    journal._failed = ""
    journal.append(rows)
    assert read(tmp_path) == wholes(journal, rows)


def test_only_forms_that_rows_are_filled_into_are_written_and_each_once(journal, tmp_path):
    made = [form(journal, value=f"{value}") for value in range(50)]
    few, many = filled(journal, made[:9], 31), []
    journal.append(few)
    for used in (made[:3], [made[40], 0, *made[2:5]], made[:3]):
        many += filled(journal, used)
        journal.append(many[-MANY:])
    assert stored(tmp_path, "SELECT number FROM forms") == [(number,) for number in (*made[:5], made[40])]
    assert read(tmp_path) == wholes(journal, few + many)


def test_what_the_writer_knows_to_be_in_the_file_has_an_end(few_in_use, journal, tmp_path):
    rows = []
    for _ in range(20):
        rows += wholes(journal, filled(journal, [form(journal) for _ in range(10)], 60))
        journal.append(filled(journal, list(range(journal.forms.last - 9, journal.forms.last + 1)), 60))
    assert len(journal._forms_there) <= 25 and len(read(tmp_path)) == 1200


# --- a new file


def test_a_row_of_the_file_before_is_filled_into_its_own_form_while_another_comes_into_force(tmp_path):
    """The numbers of a file that is begun at a start begin at 1 again."""
    journal = Journal.open(tmp_path)
    rows = filled(journal, [form(journal), form(journal, value="13", lot="L8")])
    before = wholes(journal, rows)
    journal.append(rows)
    reader = JournalReader.open(tmp_path)
    reading, of_a_lot = reader.select(), reader.select(lot="L8")
    assert next(of_a_lot) == before[0]
    found, later = [next(reading)], []                         # the other form is not looked up yet
    journal.tidy()
    damaged_table(tmp_path, journal, "forms")
    for close in (False, True):
        journal = Journal.open(tmp_path, seen=MANY)            # the first of the two begins a new file
        assert bool(journal.renewed) is not close
        behind = filled(journal, [form(journal, value="77"), form(journal, value="88")])
        journal.append(behind)
        later += wholes(journal, behind)
        if not close:
            journal.close()
            (tmp_path / "journal.lock").write_bytes(b"")
    assert stored(tmp_path, "SELECT min(number) FROM forms") == [(1,)]
    assert found + list(reading) == before
    assert list(of_a_lot) == [row for row in before[1:] if row.lot == "L8"]
    assert reader.rows(MANY) == later
    reader.close()
    journal.close()


def test_a_new_file_gets_the_forms_that_its_rows_are_filled_into(journal, tmp_path):
    one = form(journal)
    before = filled(journal, [one, 0])
    journal.append(before)
    rows = filled(journal, [one, form(journal, value="13")])
    journal._failed = "disk I/O error"
    with pytest.raises(JournalFailed):
        journal.append(rows)
    anew = journal.begin_anew(0)
    anew.append(rows)
    assert read(tmp_path) == wholes(journal, before + rows)
    assert stored(tmp_path, "SELECT form > 0, count(*) FROM record GROUP BY 1") == [(0, MANY), (1, MANY)]     # carried over whole
    anew.close()


# --- damage


def damaged_table(folder: Path, journal: Journal, *tables: str) -> None:
    """All that holds rows of these tables is written over."""
    journal.close()
    pages = [page for table in tables for page, in stored(folder, f"SELECT rootpage FROM sqlite_schema WHERE name = '{table}'")]
    content = (folder / "journal.sqlite").read_bytes()
    assert all(page - 1 < len(content) // PAGE for page in pages) and pages
    damaged(folder / "journal.sqlite", content, [page - 1 for page in pages], b"\xff")


@pytest.mark.parametrize("table", ["forms", "forms_again"])
def test_a_form_that_can_not_be_read_is_read_where_it_lies_again(tmp_path, table):
    journal = Journal.open(tmp_path)
    rows = filled(journal, [form(journal), form(journal, value="13"), 0])
    journal.append(rows)
    damaged_table(tmp_path, journal, table)
    assert read(tmp_path) == wholes(journal, rows)
    with open_salvage(tmp_path / "journal.sqlite") as found:
        assert list(found.rows()) == wholes(journal, rows) and not found.broken and not found.unsound
    (tmp_path / "journal.lock").write_bytes(b"open")           # as after an unclean end
    renewed = Journal.open(tmp_path, seen=MANY)
    assert renewed.renewed and renewed.renewed[0].kept == MANY and not renewed.renewed[0].lost.count
    assert read(tmp_path) == wholes(journal, rows)
    renewed.close()


def test_a_damaged_form_is_found_in_a_large_journal_too(tmp_path, monkeypatch):
    """One that lies before the newest, on a page of its own."""
    journal = Journal.open(tmp_path)
    journal.append(filled(journal, [form(journal, value="7.654321"), *(form(journal) for _ in range(60))]))
    journal.close()
    path = tmp_path / "journal.sqlite"
    content = path.read_bytes()
    pages = [page for page in range(len(content) // PAGE) if b"7.654321" in content[page * PAGE:(page + 1) * PAGE]]
    assert len(pages) == 2
    monkeypatch.setattr("collector.journal.checked._WHOLE_BYTES", 0)
    for page in pages:
        damaged(path, content, [page], b"\xff")
        Journal.open(tmp_path, seen=MANY).close()
        assert not set_aside(tmp_path)                         # one that was closed in order is not looked through
    (tmp_path / "journal.lock").write_bytes(b"open")
    journal = Journal.open(tmp_path, seen=MANY)
    assert len(set_aside(tmp_path)) == 1 and len(read(tmp_path)) == MANY
    journal.close()


def test_where_a_form_is_lost_its_records_are_and_the_reader_says_so(tmp_path):
    journal = Journal.open(tmp_path)
    rows = filled(journal, [form(journal), 0])
    journal.append(rows)
    damaged_table(tmp_path, journal, "forms", "forms_again")
    with pytest.raises(JournalFailed, match="damaged: the form of its record 2 is lost"):
        read(tmp_path)
    with open_salvage(tmp_path / "journal.sqlite") as found:
        assert [row.seq for row in found.rows()] == list(range(1, MANY + 1, 2))
        assert found.unsound == list(range(2, MANY + 1, 2))


@pytest.mark.parametrize("turned", [b"9", b"\xff"])
@pytest.mark.parametrize("column", ["value\":12.010", "housing", "bore"])
def test_a_form_in_which_something_was_turned_is_not_believed(tmp_path, column, turned):
    journal = Journal.open(tmp_path)
    rows = filled(journal, [form(journal)])
    journal.append(rows)
    journal.close()
    path, said = tmp_path / "journal.sqlite", column.encode()
    content = path.read_bytes()
    page = next(root for root, in stored(tmp_path, "SELECT rootpage FROM sqlite_schema WHERE name = 'forms'")) - 1
    at = content.index(said, page * PAGE, (page + 1) * PAGE)
    path.write_bytes(content[:at] + said[:-1] + turned + content[at + len(said):])
    assert path.read_bytes() != content and read(tmp_path) == wholes(journal, rows)
    with open_salvage(path) as found:
        assert list(found.rows()) == wholes(journal, rows)


@pytest.mark.parametrize("change", ["at_us = 9223372036854775807", "at_us = -9223372036854775807", "body = x'313233'", "body = x'00310032'"])
def test_a_damaged_row_costs_itself_and_holds_up_nobody(tmp_path, change):
    journal = Journal.open(tmp_path)
    rows = filled(journal, [form(journal)])
    journal.append(rows)
    journal.close()
    db = sqlite3.connect(tmp_path / "journal.sqlite")
    db.execute(f"UPDATE record SET {change} WHERE seq = 7")
    db.commit()
    db.close()
    found = read(tmp_path)
    assert found[6][:1] + found[6][2:] == (7, "measurement", "bore", "housing", "L7", b"", 0) and [*found[:6], *found[7:]] == [*wholes(journal, rows[:6] + rows[7:])]
    with open_salvage(tmp_path / "journal.sqlite") as whole:
        assert [row.seq for row in whole.rows()] == [*range(1, 7), *range(8, MANY + 1)] and whole.unsound == [7]


def test_a_number_is_not_given_again_though_one_of_the_two_tables_has_lost_it(tmp_path):
    journal = Journal.open(tmp_path)
    journal.append(filled(journal, [form(journal), form(journal)]))
    journal.close()
    for table, number in (("forms", 3), ("forms_again", 4)):
        db = sqlite3.connect(tmp_path / "journal.sqlite")
        db.execute(f"DELETE FROM {table} WHERE number = {number - 1}")
        db.commit()
        db.close()
        journal = Journal.open(tmp_path)
        assert form(journal) == number
        journal.append(filled(journal, [number]))
        journal.close()
    assert len(read(tmp_path)) == 3 * MANY


@pytest.mark.parametrize("column, said", [(1, 7), (5, 7), (5, "text"), (5, None), (5, b"two\0pieces"), (6, None)])
def test_a_form_that_is_of_other_types_than_it_should_be_is_none(journal, column, said):
    form(journal)
    row, = journal.forms.stored([1])
    assert forms.ReadForms(lambda statement, number: [row]).of(1) == journal.forms._held[1]
    assert forms.ReadForms(lambda statement, number: [(*row[:column], said, *row[column + 1:])]).of(1) is None


def test_where_the_end_can_not_be_read_no_more_is_said_to_be_lost_than_could_be_there(tmp_path):
    journal = Journal.open(tmp_path)
    journal.append(filled(journal, [form(journal)], 20_000))
    damaged_table(tmp_path, journal, "record")                 # its root: the way to every row
    with open_salvage(tmp_path / "journal.sqlite") as found:
        assert list(found.rows()) == [] and not found.end_known
        assert found.broken[0].first == 1 and found.last >= 20_000


def test_leaves_of_filled_rows_cost_what_lies_in_them(tmp_path):
    journal = Journal.open(tmp_path)
    journal.append(filled(journal, [form(journal)], 2000))
    journal.close()
    content = (tmp_path / "journal.sqlite").read_bytes()
    hit = leaves(content)[5]
    with open_salvage(damaged(tmp_path / "journal.sqlite", content, [hit], b"\0")) as found:
        rows = list(found.rows())
        assert 1850 <= len(rows) < 2000 and sum(last - first + 1 for first, last in found.broken) == 2000 - len(rows)


# --- how long a form is kept


def test_a_form_is_kept_while_a_row_is_filled_into_it_and_not_for_ever(few_in_use, journal, tmp_path):
    for _ in range(12):                                        # four new forms each, used by turns with the oldest in use
        new = [form(journal) for _ in range(4)]
        journal.append(filled(journal, [*new, journal.forms.oldest], 50))
    assert journal.forms.last == 48 and len(journal.forms._held) == 25 and journal.forms.oldest == 39
    rows = read(tmp_path)
    for through in range(50, 601, 50):
        journal.trim(through, AT_US + 10**9)
        assert read(tmp_path) == rows[through:]
        kept, = stored(tmp_path, "SELECT count(*), min(number), max(number) FROM forms")
        assert [kept] == stored(tmp_path, "SELECT count(*), min(number), max(number) FROM forms_again")
        assert kept == (48 - max(0, through // 50 * 4 - 10), max(1, through // 50 * 4 - 9), 48)


def test_a_row_that_is_deleted_while_it_is_read_is_not_there_any_more(few_in_use, journal, tmp_path):
    first = [form(journal, value=f"{value}") for value in range(2)]
    journal.append(filled(journal, first, 40))
    reader = JournalReader.open(tmp_path)
    reading = reader.select()
    assert next(reading).seq == 1                              # of one of the two forms, the other is not looked up yet
    for _ in range(3):
        journal.append(filled(journal, [form(journal) for _ in range(10)], 40))
    assert journal.trim(160, AT_US + 10**9) == 160
    assert stored(tmp_path, "SELECT min(number) FROM forms") == [(23,)]
    assert {row.seq % 2 for row in reading} == {1}
    reader.close()


def test_a_reader_does_not_keep_every_form(monkeypatch, journal, tmp_path):
    monkeypatch.setattr(forms, "IN_USE", 5)
    rows = filled(journal, [form(journal, value=f"{value}") for value in range(20)])
    journal.append(rows)
    reader = JournalReader.open(tmp_path)
    assert list(reader.select()) == wholes(journal, rows) and len(reader._forms._known) <= 5
    reader.close()


def test_who_reads_while_rows_are_written_and_trimmed_is_given_whole_records_only(few_in_use, tmp_path):
    journal, over, faults = Journal.open(tmp_path), threading.Event(), []

    def reads() -> None:
        reader = JournalReader.open(tmp_path)
        while not over.is_set():
            try:
                for row in reader.select():
                    assert json.loads(row.body)["seq"] == row.seq
            except Exception as error:
                faults.append(error)
                return
        reader.close()

    threads = [threading.Thread(target=reads) for _ in range(2)]
    for thread in threads:
        thread.start()
    for _ in range(150):
        journal.append(filled(journal, [form(journal) for _ in range(7)], 60))
        journal.trim(journal.next_seq - 100, AT_US + 10**9)
    over.set()
    for thread in threads:
        thread.join()
    journal.close()
    assert faults == []
