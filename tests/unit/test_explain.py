"""A plan in words and as tables: what a person signs, before anything is measured."""

import json

import pytest

from collector.cli import main
from collector.config.explain import explain
from collector.config.plan import read_plan

CONFIG = """\
site: cell-4
state: /var/lib/column
ports:
  line: {device: /dev/ttyS9, format: sizes}
  off: {device: 'socket://10.1.2.3:4001', format: deviations, gap: 20 ms}
  scanner: {device: /dev/ttyS7, format: label, end: "\\r"}
formats:
  sizes: {pattern: '^(?P<channel>[A-Z]\\d) +(?P<value>[+-]?\\d+\\.\\d+)$', unit: mm}
  deviations: {pattern: '^(?P<value>[+-]\\d+\\.\\d+)$', unit: um, reads: deviation}
  label: {pattern: '^(?P<part>[A-Z]+-\\d+)/(?P<serial>\\d+)$'}
parts:
  PH-200:
    bore: {channel: line/A1, KEYS}
MORE
context:
  gate: {port: scanner, sets: [part, serial], until: used}
  mes: {folder: ./orders, applies-to: [off]}
outputs:
  mes: {kind: csv, folder: FOLDER}
"""
LIMITED = "nominal: 12 mm, limits: {lower: 0 mm, upper: 18 um}"
START = "Part PH-200, bore on line/A1, nominal 12 mm: "


def written(tmp_path, keys=LIMITED, more=""):
    text = CONFIG.replace("KEYS", keys.replace("@", LIMITED)).replace("MORE", f"    {more}").replace("FOLDER", str(tmp_path))
    (tmp_path / "c.yaml").write_text(text, encoding="utf-8")
    return tmp_path / "c.yaml"


def words_of(tmp_path, keys=LIMITED, more=""):
    return explain(read_plan(written(tmp_path, keys, more)))["words"]


RULED = "tolerance from 12 mm to 12.018 mm, both included; by rule "


@pytest.mark.parametrize("keys, said", [
    ("@", "passes from 12 mm to 12.018 mm, both included"),
    ("nominal: 12 mm, limits: {min: 11.99 mm}", "passes from 11.99 mm on"),
    ("nominal: 12 mm, limits: {max: 12.01 mm}", "passes up to 12.01 mm"),
    ("nominal: 12 mm", "is recorded without a verdict"),
    ("@, uncertainty: 1 um", "passes from 12 mm to 12.018 mm, both included"),
    # the rule
    ("@, rule: stringent, uncertainty: 1 um", RULED + "stringent with uncertainty 0.001 mm passes from 12.001 mm to 12.017 mm, both included"),
    ("@, rule: proven, uncertainty: 1 um", RULED + "proven with uncertainty 0.001 mm passes from 12.001 mm to 12.017 mm, both included, "
     "fails below 11.999 mm and above 12.019 mm, else is undecided"),
    ("nominal: 12 mm, limits: {max: 12.01 mm}, rule: stringent, uncertainty: 1 um",
     "tolerance up to 12.01 mm; by rule stringent with uncertainty 0.001 mm passes up to 12.009 mm"),
    ("nominal: 12 mm, limits: {min: 12.01 mm}, rule: proven, uncertainty: 1 um", "tolerance from 12.01 mm on; by rule proven with uncertainty "
     "0.001 mm passes from 12.011 mm on, fails below 12.009 mm, else is undecided"),
    # settled, sweep
    ("@, evaluate: each", "passes from 12 mm to 12.018 mm, both included"),
    ("@, evaluate: {settled: {band: 0.5 um, time: 300 ms}}", "passes from 12 mm to 12.018 mm, both included; "
     "one measurement for each part, once it stays within 0.0005 mm for 300 ms; an over-range ends it"),
    ("@, evaluate: {settled: {band: 0.5 um, time: 2 s, until: quiet, quiet: 1 s}}", "passes from 12 mm to 12.018 mm, both included; "
     "one measurement for each part, once it stays within 0.0005 mm for 2000 ms; 1000 ms of quiet ends it"),
    ("nominal: 12 mm, limits: {max: 5 um}, evaluate: {sweep: {report: tir, until: marks}}",
     "passes up to 0.005 mm; one record for each turn, its tir; a mark in the line ends it"),
    # masters, classes, temperature
    ("@, masters: [{name: low, size: 12 mm, within: 1 um}]", "passes from 12 mm to 12.018 mm, both included; masters low 12 mm within 0.001 mm"),
    ("@, masters: [{name: low, size: 12000 um, within: 1 um, every: 30 min, parts: 200, due: 2027-03-31}, {name: high, size: 12.018 mm, within: 2 um, every: 8 h}]",
     "passes from 12 mm to 12.018 mm, both included; masters low 12.000 mm within 0.001 mm, good for 0.5 h or 200 parts, calibrated through 2027-03-31; "
     "high 12.018 mm within 0.002 mm, good for 8 h"),
    ("@, classes: {B: [12.009 mm, 12.018 mm], A: [12 mm, 12.009 mm]}",
     "passes from 12 mm to 12.018 mm, both included; classes A 12 to 12.009 mm; B 12.009 to 12.018 mm"),
    ("@, expansion: 11.5e-6", "passes from 12 mm to 12.018 mm, both included; corrected to 20 °C with 0.0000115 for each kelvin"),
])
def test_a_characteristic_is_one_sentence_with_its_effective_limits(tmp_path, keys, said):
    assert [line for line in words_of(tmp_path, keys) if line.startswith("Part ")] == [f"{START}{said}."]


def test_an_inch_nominal_with_a_code_is_told_as_it_is_judged(tmp_path):
    assert "Part PH-200, bore on line/A1, nominal 19.050 mm: passes from 19.050 mm to 19.071 mm, both included." in words_of(
        tmp_path, "nominal: 0.75 in, tolerance: H7")


def test_a_derived_one_tells_its_expression(tmp_path):
    words = words_of(tmp_path, more="taper: {from: bore - b, limits: {max: 5 um}}\n    b: {channel: off, nominal: 3 mm}")
    assert "Part PH-200, taper derived from bore - b: passes up to 5 um." in words


def test_context_tells_where_it_comes_from_what_it_sets_for_which_ports_and_how_long(tmp_path):
    words = words_of(tmp_path)
    assert "Context gate: port scanner sets part, serial for line, off until used by one part." in words
    assert (f"Context mes: folder {tmp_path}/orders sets part, lot, serial, operator, master, part-temperature, master-temperature for off until replaced."
            in words)


def test_ports_and_outputs_are_told_too_and_a_scanner_measures_nothing(tmp_path):
    words = words_of(tmp_path)
    assert words[0] == "Site cell-4; journal in /var/lib/column."
    assert words[1:4] == [
        "Collects from line: /dev/ttyS9, 9600 baud 8N1, flow none; a frame ends at CR, LF or CR LF; readings are sizes.",
        "Collects from off: socket://10.1.2.3:4001, over TCP; a frame ends after 20 ms of quiet; readings are deviations from nominal.",
        "Collects from scanner: /dev/ttyS7, 9600 baud 8N1, flow none; a frame ends at '\\r'; it says what is in force."]
    assert words[-1] == f"Writes mes: every kind of record as csv, sealed to {tmp_path}/cell-4-mes-FIRSTSEQ-LASTSEQ.csv."


def test_check_prints_these_words_and_with_json_the_same_as_tables(tmp_path, capsys):
    path = written(tmp_path, "nominal: 12 mm, tolerance: H7, rule: proven, uncertainty: 1 um, evaluate: {settled: {band: 0.5 um, time: 300 ms}}, "
                   "masters: [{name: low, size: 12 mm, within: 1 um}]", "half: {from: bore / 2}")
    (tmp_path / "orders").mkdir()
    assert main(["check", str(path)]) == 0
    words = capsys.readouterr().out.splitlines()
    assert main(["check", str(path), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told == explain(read_plan(path)) and told["words"] == words
    assert told["characteristics"] == [
        {"part": "PH-200", "characteristic": "bore", "channel": "line/A1", "unit": "mm", "nominal": "12", "lower": "12.000", "upper": "12.018",
         "uncertainty": "0.001", "rule": "proven", "passes-lower": "12.001", "passes-upper": "12.017", "fails-lower": "11.999", "fails-upper": "12.019",
         "evaluate": "one measurement for each part, once it stays within 0.0005 mm for 300 ms; an over-range ends it",
         "masters": "low 12 mm within 0.001 mm"},
        {"part": "PH-200", "characteristic": "half", "channel": "", "unit": "mm", "nominal": "", "lower": "", "upper": "", "from": "bore / 2"}]
    assert [(one["context"], one["from"], one["until"]) for one in told["context"]] == [
        ("gate", "port scanner", "used by one part"), ("mes", f"folder {tmp_path}/orders", "replaced")]


def test_a_queue_is_told_by_its_url(tmp_path):
    path = written(tmp_path)
    path.write_text(path.read_text(encoding="utf-8").replace(f"{{kind: csv, folder: {tmp_path}}}", "{kind: mqtt, url: 'mqtt://10.1.2.4'}"), encoding="utf-8")
    assert explain(read_plan(path))["words"][-1] == "Writes mes: every kind of record as mqtt to mqtt://10.1.2.4."
