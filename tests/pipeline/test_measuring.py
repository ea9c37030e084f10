"""A case is a folder: a configuration, a capture of each port, and the records that must come out, byte for byte.

Each capture says in its first lines what the case shows.  What is expected was checked record by record.
"""

import json
from pathlib import Path

import jsonschema
import pytest

from collector.commands.try_ import trial
from collector.config.plan import read_plan

CASES = sorted(path for path in (Path(__file__).parent / "cases").iterdir() if path.is_dir())
SCHEMA = json.loads((Path(__file__).parent.parent.parent / "collector/schemas/record.schema.json").read_text())
END = ".capture.txt"


def tried(cell, case: Path, *words: str):
    """`try` over all captures of a case."""
    captures = {path.name.removesuffix(END): path for path in sorted(case.glob(f"*{END}"))}
    first, *others = captures
    more = [word for port in others for word in ("--with", f"{port}={captures[port]}")]
    return cell.command("try", str(case / "config.yaml"), str(captures[first]), "--port", first, *more, "--json", *words)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_case_gives_the_expected_records_byte_for_byte(cell, case):
    said = tried(cell, case)
    assert (said.returncode, said.stderr) == (0, "")
    assert said.stdout == (case / "expected.jsonl").read_text(encoding="utf-8")


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_every_expected_record_is_one_of_the_schema_and_its_number_follows(case):
    validator = jsonschema.Draft202012Validator(SCHEMA)
    records = [json.loads(line) for line in (case / "expected.jsonl").read_text(encoding="utf-8").splitlines()]
    for seq, record in enumerate(records, start=1):
        validator.validate(record)
        assert record["seq"] == seq and record["id"] == f"brunnenhof-TRY00000-{seq}"


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_case_cut_at_every_byte_gives_the_same_records(case, tmp_path):
    captures = {}
    for path in case.glob(f"*{END}"):
        captures[path.name.removesuffix(END)] = tmp_path / path.name
        (tmp_path / path.name).write_text("".join(bytewise(path)))
    bodies = b"".join(row.body + b"\n" for row in trial(read_plan(case / "config.yaml"), captures, {}))
    assert bodies.decode() == (case / "expected.jsonl").read_text(encoding="utf-8")


def bytewise(path: Path):
    """The lines of a capture, each byte of one a read of its own at the same second."""
    from collector.ports.capture import read_capture, write_line
    for seconds, data in read_capture(path):
        yield from (write_line(seconds, data[at:at + 1]) for at in range(len(data)))


def test_what_is_set_by_hand_is_in_force_on_every_port_from_the_start(cell):
    said = tried(cell, Path(__file__).parent / "cases/changeover", "--set", "part=PH-210", "--set", "serial=H7")
    first, second = (json.loads(line) for line in said.stdout.splitlines()[:2])
    assert first["detail"] == {"event": "context", "source": "by-hand", "sets": {"part": "PH-210", "serial": "H7"}, "ports": ["column", "scanner"]}
    assert (second["part"], second["characteristic"], second["serial"], second["verdict"]) == ("PH-210", "bore", "H7", "fail")
    assert tried(cell, CASES[0], "--set", "colour=red").returncode == 1
