"""The board of a real daemon: what a column sends stands in the file within a moment, and so does its silence."""

import json
import os
import re
import subprocess
import sys

from tests.chromium import dom
from tests.conftest import wait_for

CONFIG = """
site: brunnenhof
ports: {column: {device: ./tty-column, format: line, silent: 1 s}}
formats: {line: {pattern: '^P (?P<value>\\d+\\.\\d+)$', unit: mm, over-range: ['P ------']}}
parts: {PH-200: {bore: {channel: column, nominal: 12 mm, limits: {lower: 0 mm, upper: +0.018 mm}}}}
outputs:
  line: {kind: jsonl, folder: ./inbox, publish: growing, every: 50 ms}
  wall: {kind: board, folder: ./wall, every: 200 ms, stale: 10 s}
"""


def state(cell) -> str:
    """The state of the one channel as it stands in the file."""
    file = cell.folder / "wall" / "brunnenhof-wall.html"
    found = re.findall(r'<section class="tile \w+ ([\w-]+)">', file.read_text("utf-8")) if file.exists() else []
    return found[0] if len(found) == 1 else ""


def begin(cell, config: str = CONFIG):
    (cell.folder / "wall").mkdir()
    column = cell.column("column")
    cell.configure(config)
    cell.start()
    cell.open()
    return column


def shows(cell, column, sent: bytes, expected: str) -> bool:
    """Whether it stands there; it is sent anew at each look, for the column is silent a second after."""
    column.send(sent)
    return state(cell) == expected


def test_pass_fail_no_part_not_read_silent_and_unplugged_each_come_on_the_board(cell):
    column = begin(cell)
    for sent, expected in ((b"P 12.0100\r\n", "pass"), (b"P 12.0200\r\n", "fail-above"),
                           (b"P 11.9990\r\n", "fail-below"),
                           (b"P ------\r\n", "no-part"), (b"P 12.0100\r\n", "pass"), (b"<b>rubbish\r\n", "not-read"),
                           (b"", "silent"), (b"P 12.0180\r\n", "pass")):
        wait_for(lambda: shows(cell, column, sent, expected), f"{expected} on the board")
    column.pull()
    wait_for(lambda: state(cell) == "no-line", "the line that is gone")
    text = (cell.folder / "wall" / "brunnenhof-wall.html").read_text("utf-8")
    assert "Line column is not connected" in text and "last: PASS 12.0180 mm" in text
    assert "&lt;b&gt;rubbish" in text and "<b>rubbish" not in text
    column.plug()
    wait_for(lambda: state(cell) in ("pass", "silent"), "the line again")
    assert cell.stop() == 0


def test_a_board_whose_folder_is_away_costs_the_other_output_nothing_and_the_journal_neither(cell):
    column = begin(cell)
    (cell.folder / "wall").rename(cell.folder / "away")
    for at in range(20):
        column.send(b"P 12.0%03d\r\n" % at)
    cell.wait_records(20, kind="measurement")
    outputs = cell.folder / "state" / "outputs"
    wait_for((outputs / "wall.status.json").exists, "that the board has begun")
    wait_for(lambda: "is not there" in json.loads((outputs / "wall.status.json").read_bytes())["error"], "the fault")
    last = cell.records()[-1]["seq"]
    wait_for(lambda: json.loads((outputs / "wall.cursor").read_bytes())["delivered"] >= last, "all taken up")
    assert "output wall" in cell.command("status", str(cell.config)).stdout
    assert cell.stop() == 0


def test_the_file_that_a_stopped_collector_left_is_called_old(cell):
    column = begin(cell)
    column.send(b"P 12.0100\r\n")
    wait_for(lambda: state(cell) == "pass", "pass on the board")
    file = cell.folder / "wall" / "brunnenhof-wall.html"
    assert 'data-state="fresh"' in dom(file, after_ms=2000)
    assert cell.stop() == 0
    assert 'data-state="old"' in dom(file, after_ms=25_000)


def test_status_shows_the_board_on_a_terminal_with_colours_only_where_there_is_one(cell):
    column = begin(cell, CONFIG.replace(", silent: 1 s", ""))
    column.send(b"P 12.0200\r\n")
    wait_for(lambda: state(cell) == "fail-above", "fail on the board")
    said = cell.command("status", str(cell.config), "--board", env={**os.environ, "COLUMNS": "80", "LINES": "24"})
    assert "/^\\" in said.stdout and "F A I L" in said.stdout and "12.0200 mm" in said.stdout
    assert "\x1b" not in said.stdout and len(said.stdout.splitlines()) <= 23
    for more, coloured in (({}, True), ({"NO_COLOR": "1"}, False), ({"TERM": "dumb"}, False)):
        assert ("\x1b[1;97;41m" in on_a_terminal(cell, **more)) == coloured
    assert cell.stop() == 0


def on_a_terminal(cell, **more: str) -> str:
    """What `status --board` writes to a pseudo-terminal."""
    master, slave = os.openpty()
    env = {**os.environ, "TERM": "xterm", "COLUMNS": "80", "LINES": "24"} | more
    if "NO_COLOR" not in more:
        env.pop("NO_COLOR", None)
    subprocess.run([sys.executable, "-m", "collector", "status", str(cell.config), "--board"], stdout=slave, env=env)
    os.close(slave)
    found = b""
    try:
        while some := os.read(master, 65536):
            found += some
    except OSError:                                      # the end, as Linux tells it of a pseudo-terminal
        os.close(master)
    return found.decode()
