"""A backup under load, the state lost, and put back: nothing of the backup is missing, and no id is given twice."""

import csv
import json
import os
import shutil
import sqlite3
import subprocess
import sys
import threading
import time
from collections import Counter

import pytest

from collector.files import lock
from collector.journal import JournalReader

CONFIG = """
site: gehaeuse-2
journal: {reserve: 100 kB}
ports: {p: {device: ./tty-p, format: f}}
formats: {f: {pattern: '^(?P<value>\\d+\\.\\d+)$', unit: mm}}
parts:
  PH-200: {bore: {channel: p, nominal: 12 mm, limits: {lower: 0 mm, upper: 0.018 mm}}}
  PH-300: {bore: {channel: p, nominal: 12 mm, limits: {lower: 0 mm, upper: 0.018 mm}}}
context: {mes: {folder: ./orders, sets: [part]}}
outputs:
  mes: {kind: csv, folder: ./inbox, every: 200 ms, records: 40}
  few: {kind: csv, folder: ./inbox, every: 100 ms, kinds: [measurement]}
  line: {kind: jsonl, folder: ./inbox, publish: growing}
"""


@pytest.fixture
def running(cell):
    (cell.folder / "orders").mkdir()
    cell.configure(CONFIG)
    cell.column("p")
    started(cell)
    order(cell, "PH-200")
    return cell


def started(cell):
    cell.start()
    cell.open()


def killed(cell, until):
    """SIGKILL; the outputs' processes notice and end by themselves."""
    cell.daemon.kill()
    cell.daemon.wait()

    def is_free(path):
        taken = lock(path)
        if taken is not None:
            os.close(taken)
        return taken is not None

    until(lambda: all(map(is_free, (cell.folder / "state/outputs").glob("*.lock"))), "the outputs' end")


def order(cell, part):
    before = len(cell.records(kind="event"))
    (cell.folder / "orders" / "next").write_text(json.dumps({"part": part}))
    (cell.folder / "orders" / "next").rename(cell.folder / "orders" / f"{part}.json")
    cell.wait_records(before + 1, kind="event")


def send(cell, first, last):
    cell.columns["p"].send(b"".join(b"12.%04d\r" % (number % 180) for number in range(first, last)))


class Load(threading.Thread):
    """Sends line after line until told to end; `sent`: how many."""

    def __init__(self, cell):
        super().__init__()
        self.cell, self.sent, self.over = cell, 0, threading.Event()
        self.start()

    def run(self):
        while not self.over.wait(0.001):
            send(self.cell, self.sent, self.sent + 1)
            self.sent += 1

    def end(self):
        self.over.set()
        self.join()
        return self.sent


def command(cell, *words, code=0):
    done = cell.command(words[0], str(cell.config), *map(str, words[1:]))
    assert done.returncode == code, (done.stdout, done.stderr)
    return json.loads(done.stdout) if "--json" in words else done.stderr if code else done.stdout


def sealed(cell, output):
    """The records of a sealed output, file by file in the order of their names."""
    found = []
    for path in sorted(cell.inbox.glob(f"gehaeuse-2-{output}-*.csv")):
        with open(path, newline="", encoding="utf-8") as file:
            found += list(csv.DictReader(file))
    return found


def journal(state):
    reader = JournalReader.open(state)
    found = [json.loads(row.body) for row in reader.select()]
    reader.close()
    return found


def sizes(folder):
    return {path: path.stat().st_size for path in folder.rglob("*") if path.is_file()}


def test_a_backup_under_load_brings_every_record_of_it_back_and_no_id_comes_twice(running, until):
    cell, state, file = running, running.folder / "state", running.folder / "backup"
    load = Load(cell)
    cell.wait_records(100, kind="measurement")
    told = command(cell, "backup", file, "--json")
    cell.wait_records(told["last-seq"] + 50, kind="measurement")
    sent = load.end()
    until(lambda: len(sealed(cell, "few")) == sent, "all sealed")
    taken = {name: one["delivered"] for name, one in told["outputs"].items()}
    assert all(0 < taken[name] <= told["last-seq"] for name in ("mes", "few", "line"))
    killed(cell, until)
    in_old = journal(state)
    shutil.rmtree(state)

    back = command(cell, "restore", file, "--json")
    assert (back["journal"], back["sha256"], back["last-seq"]) == (told["journal"], told["sha256"], told["last-seq"])
    kept = journal(state)
    assert kept == in_old[:told["last-seq"]], "every record of the backup, as it was"
    started(cell)
    send(cell, 0, 200)
    until(lambda: len({one["id"] for one in sealed(cell, "few")}) == sent + 200, "all sealed")
    assert cell.stop() == 0                                       # the ledger balances
    now = journal(state)
    ledger = cell.command("export", str(cell.config), "--ledger")
    assert ledger.returncode == 0 and ledger.stdout.startswith(f"{len(now)} records were kept, 0 of them")
    assert f"{now[-1]['seq'] - len(now)} numbers up to {now[-1]['seq']} are of no record" in ledger.stdout

    new = now[len(kept):]
    assert [one["seq"] for one in new] == list(range(back["next-seq"], back["next-seq"] + len(new)))
    assert {one["id"].split("-")[2] for one in new} == {back["new-journal"]} != {told["journal"]}
    assert not {one["id"] for one in new} & {one["id"] for one in in_old}
    assert new[0]["seq"] > in_old[-1]["seq"]
    assert sum(one["kind"] == "measurement" for one in new) == 200
    renewed, lost = (one["detail"] for one in new[1:3])
    assert (renewed["event"], renewed["carries-on"], renewed["kept"]) == ("journal-renewed", False, len(kept))
    assert (lost["event"], lost["of"], lost["exact"]) == ("lost", "records", False)
    assert (lost["first"], lost["last"]) == (told["last-seq"] + 1, back["next-seq"] - 1)
    for output, wanted in (("mes", None), ("few", "measurement"), ("line", None)):
        times = Counter(one["id"] for one in (cell.records() if output == "line" else sealed(cell, output)))
        for one in kept:
            if wanted in (None, one["kind"]):
                least, most = (1, 1) if one["seq"] <= taken[output] else (1, 2)
                assert least <= times[one["id"]] <= most, (output, one["seq"])
        assert all(times[one["id"]] == 1 for one in new if wanted in (None, one["kind"]))


def test_what_waited_in_the_backup_is_handed_over_and_files_of_today_go_on(running, until):
    cell, state, file = running, running.folder / "state", running.folder / "backup"
    send(cell, 0, 50)
    cell.wait_records(50, kind="measurement")
    assert cell.stop() == 0
    cell.inbox.rename(cell.folder / "away")                       # the share is away
    started(cell)
    send(cell, 50, 90)
    until(lambda: cell.status()["last-seq"] > 90, "collected")
    command(cell, "backup", file)
    (cell.folder / "away").rename(cell.inbox)
    cell.wait_records(90, kind="measurement")                     # taken after the backup
    killed(cell, until)
    shutil.rmtree(state)
    command(cell, "restore", file)
    started(cell)
    send(cell, 90, 100)
    found = cell.wait_records(140, kind="measurement")
    until(lambda: len(sealed(cell, "few")) >= 100, "sealed")
    assert cell.stop() == 0
    times = Counter(one["id"] for one in found)
    assert len(times) == 100 and [times[one["id"]] for one in found[50:90]] == [2] * 40
    assert {one["id"] for one in sealed(cell, "few")} == set(times)
    assert sum(map(times.get, times)) == 140


def test_the_part_of_the_time_of_the_backup_is_not_in_force_any_more(running, until):
    cell, file = running, running.folder / "backup"
    command(cell, "backup", file)
    order(cell, "PH-300")
    assert cell.stop() == 0
    command(cell, "restore", "--aside", file)
    started(cell)
    send(cell, 0, 1)
    one, = cell.wait_records(1, kind="measurement")
    assert "part" not in one and "no-part" in one["flags"]
    assert cell.stop() == 0


def test_a_second_restore_of_the_same_backup_gives_no_number_again(running, until):
    cell, state, file = running, running.folder / "state", running.folder / "backup"
    command(cell, "backup", file)
    killed(cell, until)
    seen = Counter()
    for _ in range(2):
        shutil.rmtree(state)
        command(cell, "restore", file)
        started(cell)
        send(cell, 0, 20)
        cell.wait_records(20 + sum(seen.values()), kind="measurement")
        killed(cell, until)
        seen.update(one["seq"] for one in journal(state) if one["kind"] == "measurement")
    assert len(seen) == 40 and set(seen.values()) == {1}


# --- what is refused, in words and with nothing changed


def test_a_backup_is_private_never_replaces_a_file_and_says_what_it_holds(running):
    cell, file = running, running.folder / "backup"
    send(cell, 0, 5)
    cell.wait_records(5, kind="measurement")
    told = command(cell, "backup", file)
    assert file.stat().st_mode & 0o777 == 0o600
    assert f"{file.stat().st_size} bytes, sha256 " in told and "output line: delivered through" in told
    before = file.read_bytes()
    assert "is there already" in command(cell, "backup", file, code=74) and file.read_bytes() == before
    assert "can't be made: No such file" in command(cell, "backup", cell.folder / "none/backup", code=74)
    assert sorted(cell.folder.glob(".*")) == []
    assert cell.stop() == 0


def test_restore_is_refused_while_a_daemon_runs_and_where_something_is(running):
    cell, state, file = running, running.folder / "state", running.folder / "backup"
    command(cell, "backup", file)
    assert "in use by another collector" in command(cell, "restore", file, code=74)
    assert "in use by another collector" in command(cell, "restore", "--aside", file, code=74)
    assert cell.stop() == 0
    before = sizes(state)
    said = command(cell, "restore", file, code=74)
    assert "is not empty" in said and "--aside" in said and said.count("\n") == 1
    held = lock(state / "outputs" / "line.lock")
    assert "output line has not ended" in command(cell, "restore", "--aside", file, code=74)
    os.close(held)
    assert sizes(state) == before
    aside = command(cell, "restore", "--aside", file, "--json")["aside"]
    there = {path.relative_to(state): size for path, size in before.items()}
    assert {path.relative_to(aside): size for path, size in sizes(cell.folder / aside).items()} == there


@pytest.mark.parametrize("harm, said", [
    (lambda data: b"", "is no backup"), (lambda data: b"no database " * 900, "file is not a database"),
    (lambda data: data[:len(data) // 2], "malformed"),
])
def test_what_is_no_whole_backup_is_refused_and_the_state_stays(running, harm, said):
    cell, state, file = running, running.folder / "state", running.folder / "backup"
    send(cell, 0, 500)
    cell.wait_records(500, kind="measurement")
    command(cell, "backup", file)
    assert cell.stop() == 0
    before = sizes(state)
    file.write_bytes(harm(file.read_bytes()))
    found = command(cell, "restore", "--aside", file, code=74)
    assert said in found and found.count("\n") == 1
    assert sizes(state) == before
    plain = cell.folder / "copied.sqlite"
    shutil.copy(state / "journal.sqlite", plain)
    assert "is no backup" in command(cell, "restore", "--aside", plain, code=74)


def test_a_backup_in_the_journal_s_place_is_not_run_with(running):
    cell, state, file = running, running.folder / "state", running.folder / "backup"
    command(cell, "backup", file)
    assert cell.stop() == 0
    for path in state.glob("journal.sqlite*"):
        path.unlink()
    shutil.copy(file, state / "journal.sqlite")
    assert "`collector restore` makes a journal of it" in command(cell, "run", code=74)


def test_a_path_out_of_the_state_folder_is_no_part_of_a_backup(running):
    cell, file = running, running.folder / "backup"
    command(cell, "backup", file)
    assert cell.stop() == 0
    db = sqlite3.connect(file)
    db.execute("INSERT INTO beside VALUES ('outputs/../../evil.cursor', x'00')")
    db.commit()
    db.close()
    assert "has no place in a state folder" in command(cell, "restore", "--aside", file, code=74)


def test_a_clock_before_the_backup_is_refused_unless_a_person_says_how_far_it_went(running):
    cell, file = running, running.folder / "backup"
    command(cell, "backup", file)
    assert cell.stop() == 0
    db = sqlite3.connect(file)
    db.execute("UPDATE meta SET value = ? WHERE key = 'backup'", (str(time.time_ns() + 3600 * 10**9),))
    db.commit()
    db.close()
    assert "of the future" in command(cell, "restore", "--aside", file, code=1)
    assert "--above 1 is too low" in command(cell, "restore", "--aside", "--above", 1, file, code=1)
    assert command(cell, "restore", "--aside", "--above", 5000, file, "--json")["next-seq"] == 5001


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="takes root")
def test_what_root_puts_back_is_the_owner_s_of_the_state_folder(running):
    cell, state, file = running, running.folder / "state", running.folder / "backup"
    command(cell, "backup", file)
    assert cell.stop() == 0
    os.chown(state, 65534, 65534)
    command(cell, "restore", "--aside", file)
    assert {path.stat().st_uid for path in (state, *state.rglob("*"))} == {65534}
    assert state.stat().st_mode & 0o777 == 0o700


@pytest.mark.skipif(shutil.which("strace") is None, reason="takes strace")
@pytest.mark.parametrize("call, step", [("rename", 1), ("fsync", 3)])
def test_a_restore_that_is_killed_leaves_no_journal_or_all_of_it(running, call, step):
    cell, state, file = running, running.folder / "state", running.folder / "backup"
    told = command(cell, "backup", file, "--json")
    assert cell.stop() == 0
    at, asides = 1, 0
    while True:
        strace = ["strace", "-f", "-o", str(cell.folder / "trace"), "-e", f"trace={call}",
                  "-e", f"inject={call}:signal=KILL:when={at}"]
        words = [sys.executable, "-m", "collector", "restore", "--aside", str(cell.config), str(file)]
        done = subprocess.run([*strace, *words], capture_output=True, text=True, timeout=60)
        moved = list(cell.folder.glob("state.aside-*"))
        asides += len(moved)
        if asides and (state / "journal.sqlite").exists():
            assert len(journal(state)) == told["records"]
            names = {json.loads(path.read_bytes())["journal"] for path in state.glob("outputs/*.cursor")}
            reader = JournalReader.open(state)
            assert names == {reader.name} != {told["journal"]} and len(list(state.glob("outputs/*.cursor"))) == 3
            reader.close()
        if done.returncode == 0:
            break
        assert done.returncode == -9, done.stderr
        for path in moved:
            shutil.rmtree(path)                                   # called by its second, and the next one comes soon
        at += step
    assert at > step and asides and (state / "journal.sqlite").exists()
