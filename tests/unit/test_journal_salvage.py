"""Salvage: every record that can be read is read, past any damage, and what can't be is said."""

import os
import subprocess
import sys
from pathlib import Path

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.errors import JournalFailed
from collector.journal import Journal, Row, Span, open_salvage

PAGE = 4096
CELL = """
site: cell-4
ports: {bore-column: {device: ./tty, format: print-line}}
formats: {print-line: {pattern: '(?P<value>[+-]?[0-9.]+)', unit: mm}}
parts: {housing: {bore: {channel: bore-column, nominal: 12 mm, limits: {lower: 0 mm, upper: 0.018 mm}}}}
outputs: {mes: {kind: csv, folder: ./inbox}}
"""
ROWS = 2000


def body(seq: int) -> bytes:
    return b'{"seq":%d,"raw":"%s"}' % (seq, b"A1  +12.0093 mm" * 12)


def made(folder: Path, last: int = ROWS) -> Path:
    journal = Journal.open(folder)
    journal.append([Row(seq, seq, "measurement", "bore-column", "housing", "", body(seq))
                    for seq in range(1, last + 1)], {"context": "{}"})
    journal.close()
    return folder / "journal.sqlite"


@pytest.fixture(scope="module")
def sound(tmp_path_factory) -> bytes:
    return made(tmp_path_factory.mktemp("sound")).read_bytes()


def damaged(path: Path, content: bytes, pages: list[int], filling: bytes) -> Path:
    data = bytearray(content)
    for page in pages:
        data[page * PAGE:(page + 1) * PAGE] = filling * PAGE
    path.write_bytes(data)
    return path


def leaves(content: bytes) -> list[int]:
    """The pages that hold rows of the table of records, in the file's order (0x0d: a leaf of a table)."""
    return [page for page in range(3, len(content) // PAGE) if content[page * PAGE] == 0x0D]


def missing(spans: list[Span]) -> set[int]:
    return {seq for first, last in spans for seq in range(first, last + 1)}


def test_a_sound_journal_comes_out_whole(tmp_path, sound):
    path = damaged(tmp_path / "journal.sqlite", sound, [], b"")
    with open_salvage(path) as found:
        assert [row.body for row in found.rows()] == [body(seq) for seq in range(1, ROWS + 1)]
        assert (found.broken, found.unsound, found.end_known, found.memory) == ([], [], True, {"context": "{}"})


@pytest.mark.parametrize("filling", [b"\0", b"\xff", b"\x0d"])
def test_rows_before_between_and_behind_damaged_pages_are_found(tmp_path, sound, filling):
    holding = leaves(sound)
    hit = [holding[0], holding[40], holding[41], holding[90]]
    with open_salvage(damaged(tmp_path / "journal.sqlite", sound, hit, filling)) as found:
        seqs = [row.seq for row in found.rows()]
    assert sorted({*seqs} | missing(found.broken)) == list(range(1, ROWS + 1))
    assert 0 < len(missing(found.broken)) <= 4 * PAGE // len(body(1)) and found.end_known
    assert not {*seqs} & missing(found.broken)


@settings(max_examples=40)
@given(data=st.data())
def test_a_damaged_page_costs_what_lies_in_it_and_nothing_else(tmp_path_factory, sound, data):
    holding = leaves(sound)[:-1]
    hit = data.draw(st.lists(st.sampled_from(holding), max_size=12, unique=True))
    path = damaged(tmp_path_factory.mktemp("hit") / "journal.sqlite", sound, hit, b"\xff")
    with open_salvage(path) as found:
        rows = list(found.rows())
    assert [row.seq for row in rows] == sorted({row.seq for row in rows})
    assert all(row.body == body(row.seq) for row in rows)
    assert ROWS - len(rows) == len(missing(found.broken)) <= len(hit) * (PAGE // len(body(1)))


def test_where_the_end_can_not_be_read_that_is_said_and_nothing_before_it_is_lost(tmp_path, sound):
    holding = leaves(sound)
    with open_salvage(damaged(tmp_path / "journal.sqlite", sound, holding[-1:], b"\0")) as found:
        seqs = [row.seq for row in found.rows()]
    assert seqs == list(range(1, len(seqs) + 1)) and ROWS - 20 < len(seqs) < ROWS
    assert not found.end_known and found.last > ROWS


def test_where_the_beginning_can_not_be_read_the_rest_is_found(tmp_path, sound):
    with open_salvage(damaged(tmp_path / "journal.sqlite", sound, leaves(sound)[:1], b"\0")) as found:
        seqs = [row.seq for row in found.rows()]
    assert seqs[-1] == ROWS and len(seqs) > ROWS - 20


def test_a_body_that_is_not_json_with_its_own_seq_is_not_sound(tmp_path):
    path = made(tmp_path, 20)
    data = path.read_bytes()
    path.write_bytes(data.replace(b'{"seq":7,', b'{"seq":8,').replace(b'{"seq":11,', b'{"seq":11;'))
    with open_salvage(path) as found:
        assert [row.seq for row in found.rows()] == [seq for seq in range(1, 21) if seq not in (7, 11)]
        assert (found.unsound, found.broken) == ([7, 11], [])


def test_nothing_at_all_is_an_error_in_words(tmp_path):
    (tmp_path / "journal.sqlite").write_bytes(bytes(3 * PAGE))
    with pytest.raises(JournalFailed), open_salvage(tmp_path / "journal.sqlite"):
        pass


# --- the command


def salvage(*words: object) -> subprocess.CompletedProcess:
    return subprocess.run([sys.executable, "-m", "collector", "salvage", *map(str, words)], capture_output=True,
                          timeout=60)


def test_the_command_writes_json_lines_and_exits_0_when_all_is_sound(tmp_path):
    path = made(tmp_path / "state", 30)
    done = salvage(path)
    assert done.returncode == 0
    assert [msgspec.json.decode(line)["seq"] for line in done.stdout.splitlines()] == list(range(1, 31))
    assert b"30 sound records, seq 1 to 30" in done.stderr


def test_the_command_writes_to_a_new_file_only(tmp_path):
    path, out = made(tmp_path / "state", 3), tmp_path / "found.jsonl"
    assert salvage(path, "--out", out).returncode == 0
    assert out.read_bytes() == b"".join(body(seq) + b"\n" for seq in (1, 2, 3))
    again = salvage(path, "--out", out)
    assert again.returncode == 74 and b"can't be made" in again.stderr


def test_the_command_says_what_is_damaged_and_exits_1(tmp_path, sound):
    path = damaged(tmp_path / "journal.sqlite.failed-20260302T071500Z", sound, leaves(sound)[40:41], b"\xff")
    done = salvage(path)
    assert done.returncode == 1 and b"can't be read: seq" in done.stderr and b"missing between them" in done.stderr
    assert len(done.stdout.splitlines()) > ROWS - 20


def test_the_command_reads_a_journal_in_use_and_changes_nothing_in_it(tmp_path):
    (tmp_path / "cell.yaml").write_text(CELL)
    journal = Journal.open(tmp_path / "state")
    journal.append([Row(1, 1, "event", "", "", "", body(1))])
    before = ((tmp_path / "state" / "journal.sqlite").read_bytes(),
              os.stat(tmp_path / "state" / "journal.sqlite-wal").st_size)
    done = salvage(tmp_path / "cell.yaml")
    assert (done.returncode, done.stdout) == (0, body(1) + b"\n"), done.stderr
    assert before == ((tmp_path / "state" / "journal.sqlite").read_bytes(),
                      os.stat(tmp_path / "state" / "journal.sqlite-wal").st_size)
    journal.append([Row(2, 2, "event", "", "", "", body(2))])
    journal.close()


def test_the_command_says_that_there_is_none(tmp_path):
    done = salvage(tmp_path / "journal.sqlite")
    assert done.returncode == 74 and b"there is no journal" in done.stderr
