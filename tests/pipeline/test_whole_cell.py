"""The whole cell of samples/whole.scenario.yaml, its stand-in columns and the real daemon: what comes out is what was true.

The columns write down what was true of each line they sent (`--sent`); sizes and turns are worked out from that here, by
means of their own.
"""

import json
import shutil
import signal
import subprocess
import sys
from decimal import Decimal
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent.parent
SECONDS = 17                                           # a check of two masters, five housings, four turns


@pytest.fixture
def folder(tmp_path):
    for name, at in (("whole.yaml", "config"), ("whole.scenario.yaml", "samples")):
        (tmp_path / at).mkdir()
        shutil.copy(ROOT / at / name, tmp_path / at / name)
    for name in ("inbox", "orders"):
        (tmp_path / "samples/demo-run/whole" / name).mkdir(parents=True)
    return tmp_path


@pytest.mark.punctual
def test_whole_cell_says_what_was_true_of_its_parts(folder, until):
    words = [sys.executable, "-m", "collector"]
    daemon = subprocess.Popen([*words, "run", "config/whole.yaml"], cwd=folder, env={"PYTHONPATH": str(ROOT)}, stderr=subprocess.DEVNULL)
    try:
        until(lambda: list(folder.glob("samples/demo-run/whole/*/status.json")), "the collector, which waits for the columns")
        subprocess.run([*words, "simulate", "samples/whole.scenario.yaml", "--sent", "sent.jsonl", "--for", f"{SECONDS} s"],
                       cwd=folder, env={"PYTHONPATH": str(ROOT)}, stdout=subprocess.DEVNULL, timeout=SECONDS + 20, check=True)
        daemon.send_signal(signal.SIGTERM)
        assert daemon.wait(10) == 0
    finally:
        daemon.kill()
        daemon.wait()
    path, = (folder / "samples/demo-run/whole/inbox").glob("*.jsonl")
    records = [json.loads(line, parse_float=Decimal, parse_int=Decimal) for line in path.read_text().splitlines()]
    sent = [json.loads(line, parse_float=Decimal, parse_int=Decimal) for line in (folder / "sent.jsonl").read_text().splitlines()]
    compared_are_true(records, [one for one in sent if one["column"] == "bore-column" and "serial" in one])
    turns_are_true([one for one in records if one["kind"] == "sweep"], [one for one in sent if one["column"] == "seal-column"])
    settled_are_true([one for one in records if one.get("port") == "bearing-column" and one["kind"] == "measurement"],
                     {one["truth"] for one in sent if one["column"] == "bearing-column" and "truth" in one})
    masters_and_parts_hang_together(records)
    assert [path.name for path in (folder / "samples/demo-run/whole/orders/taken").iterdir()]


def compared_are_true(records, sent):
    """Serial by the label that was scanned; corrected to 20 degrees C it is the true size, up to what a line can say of it.

    4 decimals of the size; 1 of two temperatures, at 25 mm and 11.5e-6: 0.05 um + 2 x 0.015 um.
    """
    true = {(one["serial"], one["channel"]): one["truth"] for one in sent}
    found = [one for one in records if one.get("port") == "bore-column" and one["kind"] == "measurement" and one["channel"] == "B1"]
    assert len(found) >= 2
    for one in found:
        assert abs(one["value"] - true[one["serial"], "B1"]) < Decimal("0.00015")
        assert abs(one["detail"]["uncorrected"] - true[one["serial"], "B1"]) > Decimal("0.0005")     # without it, it is not
        assert one["lot"] == "L001" and one["operator"] == "kern" and one["part"] == "PH-200"


def turns_are_true(found, sent):
    turns, values = [], None
    for one in sent:
        if one["what"] == "mark":
            if values is not None:
                turns.append(values)
            values = [] if values is None else None
        elif values is not None and one["what"] == "reading":
            values.append(one["value"])
    expected = [(len(turn), (max(turn) - min(turn)) * 1000) for turn in turns]
    assert len(found) >= 2
    got = [(one["detail"]["readings"], one["value"]) for one in found]
    assert got == [one for one in expected if one in got]              # a first turn may have begun before the line was open


def settled_are_true(found, truths):
    assert len(found) >= 2
    for one in found:
        assert min(abs(one["value"] - true) for true in truths) < Decimal("0.0005")
        assert one["detail"]["spread"] <= Decimal("0.0005")


def masters_and_parts_hang_together(records):
    by_id = {one["id"]: one for one in records}
    checks = [one["detail"]["master"] for one in records if one["kind"] == "master" and one["channel"] == "A1"]
    assert checks[:3] == ["SET-LOW", "SET-HIGH", "SET-LOW+SET-HIGH"]
    parts = [one for one in records if one["kind"] == "part" and "missing" not in one["detail"]]
    assert len(parts) >= 2
    for part in parts:
        readings = {name: by_id[one] for name, one in part["detail"]["readings"].items()}
        assert set(readings) == {"pilot-bore", "shaft-bore", "widening"}
        assert {one["serial"] for one in readings.values()} == {part["serial"]} and not set(part.get("flags", ())) - {"clock-unsynchronised"}
        assert readings["widening"]["value"] == readings["shaft-bore"]["value"] - readings["pilot-bore"]["value"]
