"""What `try` makes of every sample, byte for byte; a change here is a change for whoever reads the records.

`python -m tests.pipeline.test_golden` writes the golden files anew: look at what has changed before you keep it.
"""

import sys
import tempfile
from pathlib import Path

import pytest

from collector.commands.try_ import trial
from collector.config.plan import Plan, read_plan
from collector.draft.drafting import draft
from collector.draft.proposal import CannotDraft
from collector.draft.writing import as_yaml
from collector.ports.capture import read_capture

ROOT = Path(__file__).parent.parent.parent
GOLDEN = ROOT / "tests/data/golden"
SAMPLES = {"bore-line": ("demo", "bore-line"), "master-check": ("whole", "bore-column"), "sweep-turn": ("whole", "seal-column")}
SHAPES = sorted(path.stem for path in (ROOT / "samples/shapes").glob("*.txt"))


def records(plan: Plan, port: str, capture: Path) -> bytes:
    return b"".join(row.body + b"\n" for row in trial(plan, {port: capture}, {}))


def of_sample(name: str) -> bytes:
    config, port = SAMPLES[name]
    return records(read_plan(ROOT / f"config/{config}.yaml"), port, ROOT / f"samples/{name}.capture.txt")


def of_shape(name: str, folder: Path) -> bytes:
    """By the format that `draft` proposes; of a shape that it refuses, the reason."""
    capture = ROOT / f"samples/shapes/{name}.txt"
    try:
        text = as_yaml(draft(read_capture(capture)), "drafted")
    except CannotDraft as refused:
        return f"{refused}\n".encode()
    (folder / "cell.yaml").write_text(f"site: brunnenhof\n{text}\noutputs: {{o: {{kind: jsonl, folder: /srv/mes/inbox}}}}\n")
    plan = read_plan(folder / "cell.yaml")
    return records(plan, next(iter(plan.ports)), capture)


@pytest.mark.parametrize("name", SAMPLES)
def test_a_sample_gives_its_golden_records(name):
    assert of_sample(name) == (GOLDEN / f"{name}.jsonl").read_bytes()


@pytest.mark.parametrize("name", SHAPES)
def test_a_line_shape_gives_its_golden_records(tmp_path, name):
    assert of_shape(name, tmp_path) == (GOLDEN / f"shapes/{name}.jsonl").read_bytes()


def test_every_sample_has_its_golden_records():
    assert {path.name.removesuffix(".capture.txt") for path in (ROOT / "samples").glob("*.capture.txt")} == set(SAMPLES)
    assert {path.stem for path in (GOLDEN / "shapes").iterdir()} == set(SHAPES)


def write_anew() -> None:
    (GOLDEN / "shapes").mkdir(parents=True, exist_ok=True)
    for name in SAMPLES:
        (GOLDEN / f"{name}.jsonl").write_bytes(of_sample(name))
    with tempfile.TemporaryDirectory() as folder:
        for name in SHAPES:
            (GOLDEN / f"shapes/{name}.jsonl").write_bytes(of_shape(name, Path(folder)))


if __name__ == "__main__":
    sys.exit(write_anew())
