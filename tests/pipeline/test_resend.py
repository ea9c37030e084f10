"""`resend`: what an output has refused goes again, while the daemon runs and while it does not."""

import json

from collector.errors import RecordRefused
from collector.files import Files
from collector.journal import JournalReader
from collector.outputs.refused import Refused
from tests.conftest import wait_for

CONFIG = """
site: cell-4
ports: {one: {device: ./tty-one, format: line}}
formats: {line: {pattern: '^(?P<value>[0-9]+[.][0-9]+)$', unit: mm}}
parts: {housing: {bore: {channel: one, nominal: 12 mm, limits: {lower: 0 mm}}}}
outputs:
  mes: {kind: csv, folder: ./inbox, every: 50 ms, kinds: [measurement]}
  line: {kind: jsonl, folder: ./inbox, publish: growing}
"""


def with_refused(cell) -> list[int]:
    """A cell at rest whose three measurements an earlier output had refused, among them none that was delivered."""
    cell.configure(CONFIG.replace("[measurement]", "[event]"))
    column = cell.column("one")
    cell.start()
    cell.open()
    column.send(b"12.001\r\n12.002\r\n12.003\r\n")
    cell.wait_records(3, kind="measurement")
    assert cell.stop() == 0
    state = cell.folder / "state"
    reader, refused = JournalReader.open(state), Refused(state, "mes", Files())
    rows = [row for row in reader.rows(0) if row.kind == "measurement"]
    reader.close()
    for row in rows:
        refused.add(RecordRefused("mes", row.seq, "the far side \x1b[31mwould not have it"), row)
    cell.configure(CONFIG)
    return [row.seq for row in rows]


def resend(cell, *words: str):
    return cell.command("resend", str(cell.config), "mes", *words)


def refused(cell) -> list[dict]:
    return json.loads(resend(cell, "--json").stdout)["refused"]


def sealed_of(cell, seqs) -> list[bool]:
    return [(cell.inbox / f"cell-4-mes-{seq:012d}-{seq:012d}.csv").exists() for seq in seqs]


def test_records_asked_for_go_again_at_the_next_start_and_while_it_runs(cell):
    seqs = with_refused(cell)
    listed = resend(cell)
    assert listed.returncode == 0 and [line.split()[0] for line in listed.stdout.splitlines()] == [str(seq) for seq in seqs]
    assert "\x1b" not in listed.stdout and "would not have it" in listed.stdout
    said = resend(cell, "--seq", str(seqs[1]))
    assert (said.returncode, said.stderr) == (0, "") and "1 of 3 refused records go again" in said.stdout
    assert len(refused(cell)) == 3
    cell.start()
    cell.open()
    wait_for(lambda: [one["seq"] for one in refused(cell)] == [seqs[0], seqs[2]], "the one asked for has left the refused")
    assert sealed_of(cell, seqs) == [False, True, False]
    assert json.loads(resend(cell, "--all", "--json").stdout)["resend"] == [seqs[0], seqs[2]]
    wait_for(lambda: refused(cell) == [], "all have left the refused")
    assert sealed_of(cell, seqs) == [True] * 3
    told = json.loads(cell.command("status", str(cell.config), "--json").stdout)["outputs"]["mes"]
    wait_for(lambda: json.loads((cell.folder / "state/outputs/mes.status.json").read_bytes())["resent"] == 3, f"counted in {told}")
    assert cell.stop() == 0
    assert resend(cell).stdout == "output mes has refused nothing\n"
    found = [path.read_text().count(f"\n{seq},") for seq in seqs for path in cell.inbox.glob("*.csv")]
    assert sum(found) == 3


def test_what_cannot_be_asked_for_is_said_in_plain_words(cell):
    seqs = with_refused(cell)
    said = resend(cell, "--seq", "999999", str(seqs[0]))
    assert said.returncode == 1 and said.stderr.startswith("output mes has not refused record 999999")
    said = cell.command("resend", str(cell.config), "mess", "--all")
    assert said.returncode == 1 and said.stderr == "there is no output 'mess'; outputs are mes, line\n"
    assert resend(cell, "--seq", "1", "--all").returncode == 2
    (cell.folder / "state" / "outputs" / "mes.refused.jsonl").unlink()
    (cell.folder / "state" / "outputs" / "mes.refused.jsonl").mkdir()
    said = resend(cell, "--all")
    assert said.returncode == 74 and "can't be read" in said.stderr and said.stderr.count("\n") == 1
    assert not list((cell.folder / "state" / "outputs").glob("*.resend-*"))
