"""`try`: a capture in, the expected records out, byte for byte."""

from pathlib import Path

import pytest

from collector.commands.try_ import trial
from collector.config.plan import read_plan
from collector.record import decode

ROOT = Path(__file__).parent.parent.parent


def test_a_capture_gives_the_expected_records_byte_for_byte(cell):
    words = ("try", str(ROOT / "config/demo.yaml"), str(ROOT / "samples/bore-line.capture.txt"))
    said = cell.command(*words, "--port", "bore-line", "--json")
    assert said.stdout == (ROOT / "tests/data/bore-line.expected.jsonl").read_text(encoding="utf-8")
    assert said.returncode == 0 and not list(cell.folder.glob("state*"))
    assert "fail  above" in cell.command(*words, "--port", "bore-line").stdout


def test_try_asks_for_the_port_where_there_are_several_and_names_a_bad_line(cell):
    words = ("try", str(ROOT / "config/demo.yaml"), str(ROOT / "samples/bore-line.capture.txt"))
    assert cell.command(*words).returncode == 2
    bad = cell.folder / "bad.txt"
    bad.write_text("0.0\tA1\\q\n")
    said = cell.command("try", str(ROOT / "config/demo.yaml"), str(bad), "--port", "bore-line")
    assert said.returncode == 1 and "bad.txt:1" in said.stderr


@pytest.mark.parametrize("timed, kinds", [(False, ["measurement"] * 4), (True, ["unread", "measurement"])])
def test_only_lines_with_times_tell_that_a_frame_of_a_length_has_lost_a_byte(tmp_path, timed, kinds):
    (tmp_path / "c.yaml").write_text("site: s\nports: {p: {device: /dev/ttyS9, format: f, length: 18}}\n"
                                     "formats: {f: {unit: mm, pattern: '^A (?P<value>\\d+\\.\\d+)'}}\n"
                                     "outputs: {o: {kind: csv, folder: /srv/x}}\n")
    lines = ["0.0\tA 12.018\\x0a", "2.0\tA 12.018\\x0aB 12.019\\x0a"] if timed else ["A 12.018", "B 12.019"] * 4
    (tmp_path / "capture").write_text("\n".join(lines) + "\n")
    rows = list(trial(read_plan(tmp_path / "c.yaml"), {"p": tmp_path / "capture"}, {}))
    assert [row.kind for row in rows] == kinds


@pytest.mark.parametrize("gap", ["20 ms", "1 s"])
def test_each_line_without_a_time_is_a_frame_where_a_gap_ends_them(tmp_path, gap):
    (tmp_path / "c.yaml").write_text(f"site: s\nports: {{p: {{device: /dev/ttyS9, format: f, gap: {gap}}}}}\n"
                                     "formats: {f: {unit: mm, pattern: '^A (?P<value>\\d+\\.\\d+)'}}\n"
                                     "outputs: {o: {kind: csv, folder: /srv/x}}\n")
    (tmp_path / "capture").write_text("A 12.018\nA 12.019\nA 12.020\n")
    rows = list(trial(read_plan(tmp_path / "c.yaml"), {"p": tmp_path / "capture"}, {}))
    assert [bytes(decode(row.body).value) for row in rows] == [b"12.018", b"12.019", b"12.020"]


def test_a_size_that_comes_again_is_shown_whole(tmp_path):
    (tmp_path / "c.yaml").write_text("site: s\nports: {p: {device: /dev/ttyS9, format: f}}\n"
                                     "formats: {f: {unit: mm, pattern: '^A (?P<value>\\d+\\.\\d+)'}}\n"
                                     "parts: {A: {bore: {channel: p, nominal: 12 mm, limits: {lower: 0 mm, upper: 0.018 mm}}}}\n"
                                     "outputs: {o: {kind: csv, folder: /srv/x}}\n")
    (tmp_path / "capture").write_text("A 12.018\\x0d\n" * 5)
    rows = list(trial(read_plan(tmp_path / "c.yaml"), {"p": tmp_path / "capture"}, {}))
    assert [(row.seq, row.part, bytes(decode(row.body).value)) for row in rows] == [(seq, "A", b"12.018") for seq in range(1, 6)]
