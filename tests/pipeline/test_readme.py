"""README is true: each command in it runs, each configuration in it is valid, what it names is there."""

import os
import re
import shlex
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from collector.commands import COMMANDS
from collector.config.loader import load
from collector.config.plan import build_plan
from collector.journal import Journal
from collector.outputs import OUTPUTS
from tests.conftest import Column, wait_for

ROOT = Path(__file__).parent.parent.parent
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")
SAID = sorted({found.replace("\\|", "|") for found in re.findall(r"`(collector [a-z][^`\n]*)`", TEXT)})
BLOCKS = re.findall(r"```yaml\n(.*?)```", TEXT, re.DOTALL)
CELL = next(block for block in BLOCKS if block.startswith("site: cell-4"))
OWN = {"CONFIG": "cell.yaml", "CAPTURE": "bore.txt", "OUTPUT": "mes", "SEQ": "1", "SCENARIO": "demo.scenario.yaml", "DEVICE": "./tty-column",
       "CONFIG|FILE": "cell.yaml", "FILE": "copy.tar"}
UNTIL_CTRL_C = ("run", "listen", "simulate", "--watch")


@pytest.fixture
def desk(tmp_path):
    """A folder in which the commands of README run: its first configuration on a pseudo-terminal, a capture, labels."""
    column = Column(tmp_path / "tty-column")
    (tmp_path / "inbox").mkdir()
    text = CELL.replace("/dev/serial/by-id/usb-adapter-0001", "./tty-column").replace("/srv/mes/inbox", "./inbox")
    scanner = "  scanner: {device: ./tty-scanner, format: label}\nformats:\n  label: {pattern: '^(?P<serial>H\\d+)$'}\n"
    (tmp_path / "cell.yaml").write_text(text.replace("formats:\n", scanner, 1) + "context: {labels: {port: scanner}}\n")
    (tmp_path / "bore.txt").write_text("A1  +12.0093 mm\nA1  +12.0104 mm\nA1  +12.0191 mm\nA1  +12.0005 mm\n")
    (tmp_path / "labels.txt").write_text("H4711\n")
    (tmp_path / "demo.scenario.yaml").write_text((ROOT / "samples/demo.scenario.yaml").read_text())
    yield tmp_path, column
    column.pull()


def hears_ctrl_c() -> None:
    """A test that was begun in the background hands on that Ctrl-C is ignored."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def words_of(said: str) -> list[str]:
    return [OWN.get(word, word) for word in shlex.split(said)[1:]]


@pytest.mark.parametrize("said", [said for said in SAID if len(said.split()) > 2])
def test_each_command_runs_as_it_is_written(desk, said):
    folder, column = desk
    words = words_of(said)
    if words[0] == "try" and "--port" not in words:
        words += ["--port", "bore-column"]                     # the cell of README has one port only, this one a scanner too
    if "--probe" in words:
        words += ["--for", "1s"]                               # nothing comes: what it says then
    if "--save" in words:
        (folder / "bore.txt").unlink()
    if words[0] in ("export", "resend", "salvage", "status", "backup", "report", "study"):
        Journal.open(folder / "state").close()
    if words[0] == "restore":
        pytest.skip("what it needs, another has to make first: tests/pipeline/test_backup.py")
    with subprocess.Popen([sys.executable, "-m", "collector", *words], cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
                          text=True, env={**os.environ, "PYTHONPATH": str(ROOT)}, preexec_fn=hears_ctrl_c) as process:
        printed: list[str] = []
        reading = threading.Thread(target=lambda: printed.extend(process.stdout))
        reading.start()
        if any(word in words for word in UNTIL_CTRL_C):
            column.send(b"A1  +12.0093 mm\r\n")
            wait_for(lambda: printed or process.poll() is not None, "a first word")
            process.send_signal(signal.SIGINT)
        code = process.wait(30)
        reading.join(10)
    assert code in (0, 1, 130), printed
    assert not any("usage:" in line or "Traceback" in line for line in printed), printed


def test_each_command_is_in_the_tables_and_nothing_else_is():
    named = {said.split()[1] for said in SAID}
    assert named == set(COMMANDS)


@pytest.mark.parametrize("block", BLOCKS, ids=range(len(BLOCKS)))
def test_each_configuration_is_valid(tmp_path, block):
    """A block that shows a part of one is put into a whole one."""
    whole = block if block.startswith("site:") else completed(block)
    (tmp_path / "cell.yaml").write_text(whole)
    build_plan(load(tmp_path / "cell.yaml"))


def completed(block: str) -> str:
    names = sorted(set(re.findall(r"(?:channel: |port: |applies-to: \[)([a-z][a-z-]*)", block)))
    have = [section for section in ("ports", "formats", "parts", "outputs") if re.search(f"^{section}:", block, re.MULTILINE)]
    text = "site: s\n" + block
    if "formats" not in have:
        text += "\nformats: {f: {pattern: '^(?P<kind>[A-Z])?(?P<channel>[A-Z]\\d)?(?P<value>\\d+)$', unit: mm, kinds: {B: sweep-start, E: sweep-end}}}\n"
    if "ports" not in have:
        text += "\nports: {" + ", ".join(f"{name}: {{device: /dev/ttyS{at}, format: f}}" for at, name in enumerate(names or ["p"])) + "}\n"
    if "outputs" not in have:
        text += "\noutputs: {o: {kind: csv, folder: /srv/x}}\n"
    return text


def test_what_readme_names_is_there():
    for path in re.findall(r"`((?:config|samples|systemd|tests|collector)/[A-Za-z0-9_./@-]+)`", TEXT):
        assert (ROOT / path).exists(), path
    assert all(kind in TEXT for kind in OUTPUTS)
    assert TEXT.index("bash samples/demo") < TEXT.index("bash tests/run") < 2500
