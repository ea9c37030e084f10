"""A lot through real lines, the real daemon, `report` and `export`: figures, by means of their own, and the digest by the shell."""

import csv
import html
import io
import json
import os
import random
import re
import statistics
import subprocess
import sys
from decimal import Decimal
from pathlib import Path

import duckdb
import numpy as np
import pytest
from scipy import stats

from tests.conftest import Cell

ROOT = Path(__file__).parent.parent.parent
CONFIG = """
site: cell-4
ports: {bore: {device: ./tty-bore, format: line}}
formats:
  line:                                    # PART;U;+25.0093;;L1;S0001    kind; circuit; mm; master; lot; serial
    delimiter: ";"
    fields: [kind, channel, value, master, lot, serial]
    unit: mm
    kinds: {PART: measurement, RING: master}
    over-range: ["------"]
parts:
  PH-200:
    upper: {channel: bore/U, nominal: 25 mm, tolerance: H7, masters: [{name: R-25, size: 25.0002 mm, within: 1 um}]}
    lower: {channel: bore/L, nominal: 25 mm, limits: {max: 25.0190 mm}}
    taper: {from: upper - lower, unit: um, limits: {min: -9 um, max: 9 um}}
outputs: {mes: {kind: jsonl, folder: ./inbox, publish: growing, every: 200 ms}}
"""
PARTS = 110
ODD = "-L'1\" $(x)"                                     # a lot that a shell and a JSON text must quote


@pytest.fixture(scope="module")
def lot(tmp_path_factory):
    """A cell that has made lot L1 (its last readings in doubt), lot ODD, and a part of lot L2."""
    cell = Cell(tmp_path_factory.mktemp("cell"))
    cell.configure(CONFIG)
    column = cell.column("bore")
    cell.start()
    cell.open()
    draw = random.Random(12)
    lines = ["RING;U;+25.0004;R-25;;"]
    for place in range(PARTS):
        if place == 80:
            lines += ["RING;U;+25.0001;R-25;;", "not a line of ours"]
        lines += [f"PART;{circuit};{draw.gauss(25.0105, 0.0031):+.4f};;L1;S{place:04d}" for circuit in "UL"]
    lines += ["RING;U;+25.0019;R-25;;", *(f"PART;{circuit};+25.0100;;{ODD};S9{place}" for place in range(3) for circuit in "UL"),
              "PART;U;+25.0100;;L2;S9999", "PART;L;+25.0100;;L2;S9999"]
    for line in lines:
        column.send(line.encode() + b"\r\n")
    cell.wait_records(PARTS + 4, kind="part", seconds=40)
    assert cell.stop() == 0
    (cell.folder / "bin").mkdir()
    (cell.folder / "bin/collector").write_text(f"#!/bin/sh\nexec {sys.executable} -m collector \"$@\"\n")
    (cell.folder / "bin/collector").chmod(0o755)
    yield cell
    cell.end()


def run(lot, *words):
    env = os.environ | {"PATH": f"{lot.folder / 'bin'}:{os.environ['PATH']}", "PYTHONPATH": str(ROOT)}
    return subprocess.run(["collector", *map(str, words)], capture_output=True, text=True, env=env, check=False)


def reported(lot, to, *words):
    told = run(lot, "report", lot.config, *words, "--to", to, "--json")
    assert told.returncode == 0, told.stderr
    tables = {path.stem: list(csv.DictReader(io.StringIO(path.read_bytes().decode(), newline=""))) for path in to.glob("*.csv")}
    return json.loads(told.stdout, parse_float=Decimal), tables, (to / "report.html").read_text()


@pytest.fixture(scope="module")
def report(lot, tmp_path_factory):
    return reported(lot, tmp_path_factory.mktemp("out"), "--lot", "L1")


@pytest.fixture(scope="module")
def exported(lot, tmp_path_factory):
    """The same records by `export --csv`, as a table of DuckDB; sizes as decimals."""
    path = tmp_path_factory.mktemp("csv") / "all.csv"
    path.write_text(run(lot, "export", lot.config, "--csv").stdout)
    db = duckdb.connect()
    db.execute("CREATE TABLE record AS SELECT * REPLACE (CAST(value AS DECIMAL(18, 6)) AS value, CAST(seq AS BIGINT) AS seq) "
               "FROM read_csv(?, all_varchar=true, header=true, quote='\"', escape='\"')", [str(path)])
    return db


VALUES = "FROM record WHERE kind IN ('measurement', 'derived') AND lot = 'L1'"


def in_doubt(db):
    """The seqs that the suspect record puts in doubt, and what was derived from them."""
    first, last, channel = db.execute("SELECT CAST(detail->>'first' AS BIGINT), CAST(detail->>'last' AS BIGINT), channel "
                                      "FROM record WHERE kind = 'suspect'").fetchone()
    found = {seq for seq, in db.execute(f"SELECT seq {VALUES} AND seq BETWEEN ? AND ? AND channel = ?",
                                        [first, last, channel]).fetchall()}
    for seq, detail in db.execute(f"SELECT seq, detail {VALUES} AND kind = 'derived'").fetchall():
        if found.intersection(int(one.rpartition("-")[2]) for one in json.loads(detail)["inputs"].values()):
            found.add(seq)
    return found


@pytest.mark.parametrize("name", ["upper", "lower", "taper"])
def test_figures_are_those_that_others_work_out_from_the_exported_csv(report, exported, name):
    doubted = in_doubt(exported)
    rows = exported.execute(f"SELECT seq, value, verdict, side {VALUES} AND characteristic = ? ORDER BY seq", [name]).fetchall()
    assert len(rows) == PARTS and (name == "lower" or len(doubted & {row[0] for row in rows}) == 30)
    for which, kept in (("all", rows), ("without-suspect", [row for row in rows if row[0] not in doubted])):
        found = [row for row in report[1]["figures"] if row["characteristic"] == name and row["values"] == which]
        if not found and name == "lower":
            continue
        row, = found
        values = [one[1] for one in kept]
        sides = [(one[2], one[3]) for one in kept]
        assert int(row["count"]) == len(kept)
        assert abs(Decimal(row["mean"]) - statistics.mean(values)) < Decimal("1e-20")
        assert float(row["deviation"]) == pytest.approx(np.std([float(one) for one in values], ddof=1), rel=1e-9)
        assert (Decimal(row["smallest"]), Decimal(row["largest"]), Decimal(row["median"])) == (
            min(values), max(values), statistics.median(values))
        assert [int(row[key]) for key in ("pass", "fail-below", "fail-above")] == [
            sides.count(one) for one in (("pass", None), ("fail", "below"), ("fail", "above"))]
        compared_indices(row, [float(one) for one in values])


def compared_indices(row, values):
    if not row["ppk"]:
        return                                            # of values with some in doubt: those without have them
    lower, upper = (float(row[key]) if row[key] else None for key in ("lower", "upper"))
    mean, spread = np.mean(values), np.std(values, ddof=1)
    rooms = [upper - mean] + ([mean - lower] if lower is not None else [])
    assert float(row["ppk"]) == pytest.approx(min(rooms) / 3 / spread, rel=1e-9)
    if lower is None:
        assert row["pp"] == "" and "only an upper limit" in row["why"]
    else:
        pp, degrees = (upper - lower) / 6 / spread, len(values) - 1
        assert float(row["pp"]) == pytest.approx(pp, rel=1e-9)
        for key, tail in (("pp-low", 0.025), ("pp-high", 0.975)):
            assert float(row[key]) == pytest.approx(pp * np.sqrt(stats.chi2.ppf(tail, degrees) / degrees), rel=1e-9)
    within = np.mean(np.abs(np.diff(values))) / (2 / np.sqrt(np.pi))
    assert float(row["within"]) == pytest.approx(within, rel=1e-9)
    assert (row["cpk"] != "") == (row["stable"] == "yes")
    if row["cpk"]:
        assert float(row["cpk"]) == pytest.approx(min(rooms) / 3 / within, rel=1e-9)


def test_the_page_shows_the_figures_that_its_tables_have(report):
    text = html.unescape(re.sub(r"<[^>]+>", " ", report[2]))
    for row in report[1]["figures"]:
        decimals = 4 if row["unit"] == "mm" else 1
        for key in ("mean", "deviation"):
            assert f"{Decimal(row[key]):.{decimals + 2}f}" in text.replace("\N{MINUS SIGN}", "-")
        assert row["largest"] in text and f"{int(row['count']):,}" in text
        if row["ppk"]:
            assert f"{float(row['ppk']):.2f}" in text


def test_parts_checks_events_and_unread_frames_are_counted(report, exported):
    told, tables, _ = report
    passed, = exported.execute("SELECT count(*) FROM record WHERE kind = 'part' AND lot = 'L1' AND verdict = 'pass'").fetchone()
    part, = tables["parts"]
    assert (int(part["parts"]), int(part["pass"]), int(part["with-suspect"])) == (PARTS, passed, 30)
    assert [(row["when"], row["verdict"]) for row in tables["checks"]] == [("before", "pass"), ("within", "pass"), ("behind", "fail")]
    assert told["unread"] == {"bore": 1} and sum(told["reasons"].values()) == 1
    assert len(tables["suspects"]) == 1


@pytest.mark.parametrize("words", [
    ("--lot", "L1"), (), ("--part", "PH-200", "--lot", "L2"), ("--characteristic", "taper"), ("--serial", "S0007"),
    ("--lot", "L1", "--characteristic", "upper", "--serial", "S0090"), ("--lot=" + ODD,), ("--since", "2026-01-01", "--lot", "L1")])
def test_the_command_on_the_page_prints_the_digest_on_the_page(lot, tmp_path, words):
    told, _, text = reported(lot, tmp_path, *words)
    shown = re.search(r'id="digest">(\w{64})<', text)[1]
    command = html.unescape(re.sub(r"<[^>]+>", "", re.search(r'id="command">(.*?)</code>', text, re.DOTALL)[1]))
    env = os.environ | {"PATH": f"{lot.folder / 'bin'}:{os.environ['PATH']}", "PYTHONPATH": str(ROOT)}
    out = subprocess.run(["sh", "-c", command], capture_output=True, text=True, env=env, check=True).stdout
    assert out.split()[0] == shown == told["trace"]["sha256"] and told["command"] == command
    assert told["trace"]["count"] > 0


def test_the_digest_is_another_where_a_record_is(lot, tmp_path):
    assert reported(lot, tmp_path / "a", "--lot", "L1")[0]["trace"]["sha256"] != reported(
        lot, tmp_path / "b", "--lot", "L2")[0]["trace"]["sha256"]


def test_what_an_output_wrote_makes_the_same_report(lot, tmp_path, report):
    paths = sorted(lot.inbox.glob("*.jsonl"))
    told = run(lot, "report", "--records", *paths, "--lot", "L1", "--to", tmp_path / "lot.html")
    assert told.returncode == 0, told.stderr
    found = list(csv.DictReader(io.StringIO((tmp_path / "lot-figures.csv").read_bytes().decode(), newline="")))
    assert found == report[1]["figures"]
    text = (tmp_path / "lot.html").read_text()
    for path in paths:
        out = subprocess.run(["sha256sum", path], capture_output=True, text=True, check=True).stdout
        assert out.split()[0] in text


def test_subgroups_are_charted_as_asked(lot, tmp_path, exported):
    told, tables, text = reported(lot, tmp_path, "--lot", "L1", "--characteristic", "lower", "--subgroup", "5", "--spread", "deviation")
    values = [float(one) for one, in exported.execute(f"SELECT value {VALUES} AND characteristic = 'lower' ORDER BY seq").fetchall()]
    chart = told["characteristics"][0]["sets"][0]["charts"]
    groups = np.array(values).reshape(-1, 5)
    assert float(chart["location"]["centre"]) == pytest.approx(np.mean(values))
    assert float(chart["within"]) == pytest.approx(np.mean(np.std(groups, axis=1, ddof=1)) / 0.939986, rel=1e-5)      # c4(5)
    assert "of subgroups of 5" in text


def test_nothing_selected_ends_with_1_and_says_what_there_is(lot, tmp_path):
    told = run(lot, "report", lot.config, "--lot", "L3", "--to", tmp_path / "out")
    assert told.returncode == 1 and told.stdout == ""
    assert "there are parts: PH-200" in told.stderr and "L1" in told.stderr and "Traceback" not in told.stderr
    assert not (tmp_path / "out").exists()


def test_a_journal_that_is_not_there_is_said(tmp_path, lot):
    (tmp_path / "cell.yaml").write_text(CONFIG)
    (tmp_path / "inbox").mkdir()
    told = run(lot, "report", tmp_path / "cell.yaml", "--to", tmp_path / "out")
    assert told.returncode == 74 and "there is no journal in" in told.stderr
