"""The ledger: its equations, what moves its counts, and that `export --ledger` finds what is missing."""

import json
import sqlite3
from collections import Counter

import pytest

from collector.config.plan import read_plan
from collector.frames.framer import Framing, build_framer
from collector.journal import Journal, Row
from collector.record import Chunk
from collector.service.ledger import UNKNOWN, Account, Ledger, Meter
from collector.service.memory import Memory
from collector.service.proof import prove
from collector.service.tally import Tally


def row(seq, port, kind):
    return Row(seq, 0, kind, port, "", "", b"{}")


def test_an_account_says_which_equation_does_not_hold():
    sound = Account(bytes=20, in_frames=12, marks=3, discarded=1, lost=2, waiting=2, frames=4, read=3, unread=1, kinds={"unread": 1})
    assert sound.faults() == []
    assert "21 bytes came in, 20 are accounted for" in Account(**{**vars_of(sound), "bytes": 21}).faults()[0]
    assert Account(**{**vars_of(sound), "frames": 5}).faults() == ["5 frames, but 3 read and 1 unread"]
    assert Account(**{**vars_of(sound), "kinds": {}}).faults() == ["1 frames unread, but only 0 records of kind unread"]


def vars_of(account):
    return {field: getattr(account, field) for field in account.__struct_fields__}


def test_a_meter_adds_only_what_came_since_and_keeps_what_waits():
    framer, tally, account = build_framer(Framing()), Tally("d"), Account()
    meter = Meter(framer, tally)
    for data, expected in ((b"12.0\r1", (6, 4, 1, 1)), (b"2", (7, 4, 1, 2)), (b"\r", (8, 6, 2, 0))):
        tally.bytes += len(data)
        tally.frames += len(framer.feed(Chunk("p", data, 0, 0)))
        assert meter.read(account)
        assert (account.bytes, account.in_frames, account.marks, account.waiting) == expected
    assert not meter.read(account)


def test_what_waited_at_a_kill_is_lost_and_the_account_still_balances():
    ledger = Ledger({"p": Account(bytes=5, in_frames=3, waiting=2)})
    assert (ledger.lose_waiting("p"), ledger.lose_waiting("p"), ledger.lose_waiting("q")) == (2, 0, 0)
    assert ledger.accounts["p"].faults() == [] and ledger.touched == {"p"}


def test_deleted_records_are_gone_not_missing():
    ledger = Ledger({})
    ledger.count([row(1, "p", "measurement"), row(2, "", "event"), row(3, "p", "measurement")])
    after = ledger.after_trim(Counter({("p", "measurement"): 1}))
    assert after["p"].kinds == {"measurement": 2} and after["p"].gone == {"measurement": 1} and ledger.accounts["p"].gone == {}


def test_a_new_file_s_rows_are_there_and_all_others_gone_also_where_the_accounts_were_lost():
    ledger = Ledger({"p": Account(kinds={"measurement": 5, "unread": 1}, gone={"measurement": 1})})
    ledger.settle(Counter({("p", "measurement"): 2, ("", "event"): 1}), 7)
    assert ledger.accounts["p"].gone == {"measurement": 3, "unread": 1} and ledger.accounts[""].kinds == {"event": 1}
    lost = Ledger({})
    lost.settle(Counter({("p", "measurement"): 2}), 9)
    assert lost.accounts["p"].kinds == {"measurement": 2} and lost.accounts[""].gone == {UNKNOWN: 7}


CONFIG = """
site: s
ports: {p: {device: ./tty-p, format: f}}
formats: {f: {pattern: '^(?P<value>\\d+\\.\\d+)$', unit: mm}}
outputs: {line: {kind: jsonl, folder: ./inbox, publish: growing}, few: {kind: csv, folder: ./inbox, kinds: [measurement], every: 200 ms}}
"""


@pytest.fixture
def stopped(cell):
    cell.configure(CONFIG)
    cell.column("p")
    cell.start()
    cell.open()
    cell.columns["p"].send(b"12.0001\rrubbish\r12.0002\r12.00")
    cell.wait_records(2, kind="measurement")
    assert cell.stop() == 0
    return cell


def test_export_says_the_equations_in_words_and_as_json(stopped):
    said = stopped.command("export", str(stopped.config), "--ledger")
    assert said.returncode == 0 and "29 bytes = 26 in frames + 3 marks + 0 discarded + 0 lost + 0 waiting" in said.stdout
    assert "4 frames = 2 read + 2 unread" in said.stdout and "output few: 2 records = 2 delivered + 0 refused + 0 waiting" in said.stdout
    assert json.loads(stopped.command("export", str(stopped.config), "--ledger", "--json").stdout)["faults"] == []


@pytest.mark.parametrize("harm, found", [
    ("DELETE FROM record WHERE seq = 3", "port p: counted when they were kept"),
    ("UPDATE record SET kind = 'event' WHERE kind = 'unread'", "port p: counted when they were kept"),
    ("DELETE FROM meta WHERE key = 'memory/account:p'", "port p: counted when they were kept {}"),
])
def test_a_record_that_is_missing_or_another_is_found(stopped, harm, found):
    db = sqlite3.connect(stopped.folder / "state/journal.sqlite")
    db.execute(harm)
    db.commit()
    db.close()
    said = stopped.command("export", str(stopped.config), "--ledger")
    assert said.returncode == 1 and f"NOT BALANCED: {found}" in said.stdout


def test_a_batch_that_an_output_skipped_is_found(stopped):
    path = stopped.folder / "state/outputs/line.cursor"
    told = json.loads(path.read_bytes())
    path.write_text(json.dumps({**told, "records": told["records"] - 1}))
    assert [one for one in prove(read_plan(stopped.config))["faults"] if "output line" in one]


def test_after_old_records_were_deleted_the_ledger_still_balances(stopped):
    journal = Journal.open(stopped.folder / "state")
    memory = Memory(journal.memory())
    assert journal.trim(4, 1 << 60, counted=memory.trimming) == 4
    memory.trimmed()
    assert memory.ledger.accounts["p"].gone and memory.ledger.accounts == Memory(journal.memory()).ledger.accounts
    journal.close()
    told = prove(read_plan(stopped.config))
    assert told["faults"] == [] and told["records"]["gone"] == 4
