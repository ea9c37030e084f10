"""`collector status`: what a person sees on one screen, running and dead."""

import json
import time

import pytest

from tests.conftest import wait_for

CONFIG = """
site: brunnenhof
ports:
  column: {device: ./tty-column, format: line}
  absent: {device: ./tty-absent, format: line}
formats: {line: {pattern: '^P (?P<value>\\d+\\.\\d+)$', unit: mm}}
parts: {PH-200: {bore: {channel: column, nominal: 12 mm, limits: {lower: 0 mm, upper: +0.018 mm}}}}
outputs: {line: {kind: jsonl, folder: ./inbox, publish: growing, every: 50 ms}}
"""


def rows(text: str, begin: str) -> list[list[str]]:
    """The table whose head begins so, split at two blanks or more."""
    lines = text.splitlines()
    at = next(number for number, line in enumerate(lines) if line.startswith(begin))
    body = lines[at:lines.index("", at)] if "" in lines[at:] else lines[at:]
    return [[cell.strip() for cell in line.split("  ") if cell.strip()] for line in body]


def test_one_screen_says_ports_values_outputs_and_what_needs_a_person(cell):
    column = cell.column("column")
    cell.configure(CONFIG)
    cell.start()
    cell.open()
    column.send(b"P 12.0100\r\nrubbish \x1b[2J\r\nP 12.0200\r\n")
    cell.wait_records(2, kind="measurement")
    wait_for(lambda: cell.status()["ports"]["column"]["per-minute"] > 0, "a rate")
    said = cell.command("status", str(cell.config))
    assert said.returncode == 1 and "\x1b" not in said.stdout
    assert said.stdout.startswith("brunnenhof: running since 20")
    port = rows(said.stdout, "port    state")[1]
    assert port[:2] == ["column", "open"] and port[5:9] == ["3", "1", "not counted", "0"]
    assert rows(said.stdout, "port    channel")[1][1:3] == ["12.0200 mm", "fail above"]
    assert rows(said.stdout, "output")[1][-1] == "well"
    assert "port absent is not open" in said.stdout.partition("Needs a person:")[2]
    assert cell.stop() == 0
    dead = cell.command("status", str(cell.config))
    assert dead.returncode == 1
    assert dead.stdout.startswith("brunnenhof: NOT RUNNING; last heard of at 20") and "12.0200 mm" in dead.stdout
    whole = json.loads(cell.command("status", str(cell.config), "--json").stdout)
    assert whole["running"] is False and whole["journal"]["oldest"] and whole["ports"]["column"]["unread"] == {"no-match": 1}


def test_a_cell_that_never_ran_says_so(cell):
    cell.configure(CONFIG)
    said = cell.command("status", str(cell.config))
    assert said.returncode == 1 and "last heard of at never" in said.stdout and said.stderr == ""


@pytest.mark.punctual
def test_watch_shows_it_again_until_its_time_is_over(cell):
    cell.configure(CONFIG)
    said = cell.command("status", str(cell.config), "--watch", "--for", "1500 ms")
    assert said.stdout.count("NOT RUNNING; last heard of") == 3


def test_the_status_of_an_older_daemon_is_shown_as_far_as_it_goes(cell):
    """Between an upgrade and the restart."""
    cell.configure(CONFIG)
    old = {"version": "0.0.9", "site": "brunnenhof", "pid": 1, "started": "2026-01-01T00:00:00.000000Z", "at": "2026-01-02T00:00:00.000000Z",
           "last-seq": 3, "ledger": {"column": {"bytes": 1, "in_frames": 1, "newer": 5}},
           "ports": {"column": {"device": "/dev/ttyS0", "state": "open", "since": "", "cause": "", "bytes": 1, "frames": 1, "losses": 0,
                                "unread": {}, "last-frame": "", "channels": {}}}}
    (cell.folder / "state").mkdir()
    (cell.folder / "state/status.json").write_text(json.dumps(old))
    said = cell.command("status", str(cell.config))
    assert said.returncode == 1 and said.stderr == "" and "NOT RUNNING; last heard of at 2026-01-02" in said.stdout


@pytest.mark.punctual
def test_a_status_is_written_at_once_when_something_comes_and_seldom_while_nothing_does(cell):
    column = cell.column("column")
    cell.configure(CONFIG)
    cell.start()
    cell.open()
    wait_for(lambda: cell.status()["last-seq"] >= 2, "both ports told of")
    quiet, begun = {cell.status()["at"]}, time.monotonic()
    while time.monotonic() < begun + 6:
        quiet.add(cell.status()["at"])
        time.sleep(0.1)
    assert 2 <= len(quiet) <= 4                               # each second it would be 6
    last = cell.status()["at"]
    wait_for(lambda: cell.status()["at"] != last, "written just now", 6)
    column.send(b"P 12.0100\r\n")
    wait_for(lambda: cell.status()["ports"]["column"]["read"] == 1, "the reading in the status", 2.5)
    assert cell.stop() == 0
