"""Refused records: set aside whole, whatever a kill or a bad disk has left; sent again once, whatever step fails."""

import json
import shutil

import pytest

from collector.errors import OutputDown, RecordRefused
from collector.files import Files
from collector.journal import Journal
from collector.outputs.refused import Refused, ask_again, read_refused, refused_path
from tests.faults.faulty_files import DEATHS, ERRORS, FaultyFiles
from tests.faults.handover_bench import WAYS, Bench, journal_of, row


@pytest.fixture
def state(tmp_path):
    (tmp_path / "outputs").mkdir()
    return tmp_path


def set_aside(state, *seqs, why="why"):
    refused = Refused(state, "mes", Files())
    for seq in seqs:
        refused.add(RecordRefused("mes", seq, why), row(seq))


def test_a_torn_line_is_written_over_and_the_whole_ones_are_known(state):
    path = refused_path(state, "mes")
    set_aside(state, 1)
    path.write_bytes(path.read_bytes() + b'{"seq":2,"why":"' + b"x" * 1000)
    again = Refused(state, "mes", Files())
    assert again.seqs == {1}
    again.add(RecordRefused("mes", 2, "no"), row(2)._replace(body=b"\xff"))
    lines = [json.loads(line) for line in path.read_text().splitlines()]
    assert [(line["seq"], line["why"], line["record"]) for line in lines] == [(1, "why", row(1).body.decode()), (2, "no", "\\xff")]
    assert Refused(state, "mes", Files()).seqs == {1, 2}


def test_a_line_torn_just_before_its_end_never_takes_the_next_one_with_it(state):
    path = refused_path(state, "mes")
    set_aside(state, 1, 2)
    path.write_bytes(path.read_bytes()[:-1])
    assert Refused(state, "mes", Files()).seqs == {1}          # 2 comes again, and is cut off here
    set_aside(state, 2, 3)
    assert [line.seq for line in read_refused(state, "mes")] == [1, 2, 3]


@pytest.mark.parametrize("torn", [b"\0" * 40, b'{"seq":2,"why', b"", b"\xff\r\xfe"])
def test_a_line_that_the_disk_has_spoilt_loses_none_behind_it(state, torn):
    path = refused_path(state, "mes")
    set_aside(state, 1, 2, 3)
    first, _, last = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(first + torn + b"\n" + last)
    refused = Refused(state, "mes", Files())
    assert refused.seqs == {1, 3}
    refused.add(RecordRefused("mes", 4, "why"), row(4))
    refused.settle((1,))
    assert path.read_bytes().startswith(torn + b"\n" + last)
    assert Refused(state, "mes", Files()).seqs == {3, 4}


def test_a_record_is_not_taken_for_refused_because_one_of_a_lost_journal_had_its_seq(state):
    set_aside(state, 3)
    refused = Refused(state, "mes", Files())
    assert refused.has(row(3))
    assert not refused.has(row(3, serial="another"))


def test_a_request_that_cannot_be_understood_is_put_away_and_the_next_is_followed(state):
    set_aside(state, 1, 2)
    (state / "outputs" / "mes.resend-0.json").write_bytes(b"{")
    ask_again(state, "mes", (2, 7), Files())
    ask_again(state, "mess", (1,), Files())
    refused = Refused(state, "mes", Files())
    assert refused.look() and refused.asked() == [2]
    refused.tried(2, "still")
    assert refused.asked() == []
    refused.settle(())
    assert [path.name[:11] for path in (state / "outputs").glob("*.resend-*")] == ["mess.resend"]
    assert [(line.seq, line.why) for line in read_refused(state, "mes")] == [(1, "why"), (2, "still")]


def test_where_the_refused_cannot_be_rewritten_the_request_stays(state):
    set_aside(state, 1)
    ask_again(state, "mes", (1,), Files())
    refused = Refused(state, "mes", FaultyFiles(1))
    assert refused.look() and refused.asked() == [1]
    refused.tried(1)
    with pytest.raises(OutputDown):
        refused.settle((1,))
    anew = Refused(state, "mes", Files())
    assert anew.look() and anew.asked() == [1]


# --- again, through the delivery


ONCE_REFUSED = (2, 5)


def refused_by(place, way, **settings) -> Bench:
    """An output that has delivered 1 to 6, but not 2 and 5, which it had refused; they may go now."""
    reader = journal_of(place / "journal", [row(seq) for seq in range(1, 7)])
    bench = Bench(place / "place", reader, **WAYS[way], **settings)
    set_aside(bench.state, *ONCE_REFUSED)
    bench.run_once()
    assert bench.found() == [1, 3, 4, 6]
    return bench


def refused_left(bench):
    return [(line.seq, line.why) for line in read_refused(bench.state, "mes")]


@pytest.mark.parametrize("way", WAYS)
def test_what_is_asked_for_goes_again_and_leaves_the_refused(tmp_path, way):
    bench = refused_by(tmp_path, way)
    ask_again(bench.state, "mes", (5,), Files())
    bench.run_once()
    assert (sorted(bench.found()), refused_left(bench)) == ([1, 3, 4, 5, 6], [(2, "why")])
    ask_again(bench.state, "mes", (2, 5), Files())
    bench.run_once()
    bench.run_once()
    assert (sorted(bench.found()), refused_left(bench), bench.cursor.delivered) == ([1, 2, 3, 4, 5, 6], [], 6)
    assert not list((bench.state / "outputs").glob("*.resend-*"))
    ask_again(bench.state, "mes", (5,), Files())                       # it is among the refused no more
    (bench.state / "outputs" / "mes.resend-0.json").write_bytes(b"{")
    bench.run_once()
    assert sorted(bench.found()) == [1, 2, 3, 4, 5, 6] and not list((bench.state / "outputs").glob("*.resend-*"))
    bench.reader.close()


def test_a_record_that_goes_again_has_a_sealed_file_of_its_own_that_sorts_by_its_seq(tmp_path):
    bench = refused_by(tmp_path, "csv-sealed")
    ask_again(bench.state, "mes", ONCE_REFUSED, Files())
    bench.run_once()
    assert [name[len("cell-4-mes-"):] for name in bench.names()] == [
        "000000000001-000000000003.csv", "000000000002-000000000002.csv", "000000000004-000000000006.csv",
        "000000000005-000000000005.csv"]
    bench.reader.close()


@pytest.mark.parametrize("way", ["csv-growing", "jsonl-growing"])
def test_a_record_that_goes_again_stands_in_the_file_of_the_day_on_which_it_goes(tmp_path, way):
    bench = refused_by(tmp_path, way)
    ask_again(bench.state, "mes", (2,), Files())
    bench.run_once()
    assert len(bench.names()) == 2 and bench._seqs((bench.folder / bench.names()[-1]).read_bytes()) == [2]
    bench.reader.close()


@pytest.mark.parametrize("way", WAYS)
def test_what_is_refused_again_stays_with_the_new_reason_and_holds_nothing_up(tmp_path, way):
    bad = row(2)._replace(body=b"{\n")
    reader = journal_of(tmp_path / "journal", [row(1), bad, row(3)])
    bench = Bench(tmp_path / "place", reader, **WAYS[way])
    bench.run_once()
    ask_again(bench.state, "mes", (2,), Files())
    for _ in range(2):
        bench.run_once()
        (seq, why), = refused_left(bench)
        assert seq == 2 and why.count("is no record, so it can't go again") == 1
        ask_again(bench.state, "mes", (2,), Files())
    assert bench.found() == [1, 3]
    reader.close()


@pytest.mark.parametrize("fault", ERRORS + DEATHS)
@pytest.mark.parametrize("way", WAYS)
def test_what_goes_again_is_there_once_whatever_step_fails_while_others_come(tmp_path, steps, way, fault):
    first = refused_by(tmp_path / "first", way)
    ask_again(first.state, "mes", ONCE_REFUSED, Files())
    journal = Journal.open(tmp_path / "first" / "journal")
    journal.append([row(7), row(8)])
    journal.close()
    for n in steps:
        place = shutil.copytree(tmp_path / "first" / "place", tmp_path / str(n))
        bench = Bench(place, first.reader, **WAYS[way])
        files = FaultyFiles(n, fault, after_step=bench.take if "sealed" in way and not fault.startswith("power") else lambda: None)
        bench.run_once(files)
        bench.run_once()
        bench.run_once()
        assert (n, sorted(bench.found()), refused_left(bench), bench.hidden()) == (n, list(range(1, 9)), [], [])
        if not files.hit:
            assert n > 20
            first.reader.close()
            return


@pytest.mark.parametrize("fault", ERRORS)
@pytest.mark.parametrize("way", WAYS)
def test_what_goes_again_is_there_once_though_a_process_goes_on_after_any_step_failed(tmp_path, steps, way, fault):
    first = refused_by(tmp_path / "first", way)
    ask_again(first.state, "mes", ONCE_REFUSED, Files())
    journal = Journal.open(tmp_path / "first" / "journal")
    journal.append([row(7)])                               # it is delivered behind those, and ends the run
    journal.close()
    for n in steps:
        bench = Bench(shutil.copytree(tmp_path / "first" / "place", tmp_path / str(n)), first.reader, **WAYS[way])
        files = FaultyFiles(n, fault, after_step=bench.take if "sealed" in way else lambda: None)
        bench.run_until_delivered(files)
        assert (n, sorted(bench.found()), refused_left(bench), bench.hidden()) == (n, list(range(1, 8)), [], [])
        if not files.hit:
            assert n > 15
            first.reader.close()
            return
