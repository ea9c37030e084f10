"""`try`: a capture in, the expected records out, byte for byte."""

from pathlib import Path

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
