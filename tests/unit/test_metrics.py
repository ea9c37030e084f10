"""Metrics for the plant's monitoring: read by the official Python parser, and equal to what `status` says."""

import json

import pytest
from prometheus_client.parser import text_string_to_metric_families

from collector.service.metrics import Metric, text_of
from tests.conftest import wait_for

CONFIG = """
site: brunnenhof
ports: {column: {device: ./tty-column, format: line, silent: 1 h}}
formats: {line: {pattern: '^P (?P<value>\\d+\\.\\d+)$', unit: mm}}
parts:
  PH-200: {bore: {channel: column, nominal: 12 mm, limits: {lower: 0 mm, upper: +0.018 mm}, masters: [{name: R12, size: 12 mm, within: 1 um, every: 8 h}]}}
outputs: {line: {kind: jsonl, folder: ./inbox, publish: growing, every: 50 ms}}
metrics: {folder: ./textfile}
"""


def families(text: str) -> dict:
    return {family.name: family for family in text_string_to_metric_families(text)}


def value(found: dict, name: str, **labels: str) -> float:
    one, = [sample.value for sample in found[name.removesuffix("_total")].samples if sample.name == name and sample.labels == labels]
    return one


def test_the_file_says_what_status_says(cell):
    (cell.folder / "textfile").mkdir()
    column = cell.column("column")
    cell.configure(CONFIG)
    cell.start()
    cell.open()
    column.send(b"P 12.0100\r\nrubbish\r\nP 12.0200\r\n")
    cell.wait_records(2, kind="measurement")
    path = cell.folder / "textfile" / "collector-brunnenhof.prom"
    wait_for(lambda: path.exists() and 'kind="measurement"' in path.read_text(), "the metrics", 25)
    found = families(path.read_text())
    assert value(found, "collector_records_total", port="column", kind="measurement") == 2
    assert value(found, "collector_port_unread_frames_total", port="column", reason="no-match") == 1
    assert value(found, "collector_port_frames_total", port="column") == 3
    assert value(found, "collector_port_received_bytes_total", port="column") == 31
    assert value(found, "collector_port_open", port="column") == 1 and value(found, "collector_port_silent", port="column") == 0
    assert value(found, "collector_output_up", output="line") == 1
    status = json.loads(cell.command("status", str(cell.config), "--json").stdout)
    assert value(found, "collector_needs_person") == len(status["needs"]) == 1          # the master was not checked
    assert value(found, "collector_master_state", master="R12", channel="column", part="PH-200", characteristic="bore",
                 state=status["masters"][0]["state"]) == 1
    assert status["ports"]["column"]["per-minute"] > 0 and status["journal"]["oldest"] >= status["started"]
    assert abs(value(found, "collector_start_time_seconds") - value(found, "collector_status_time_seconds")) < 60
    assert cell.stop() == 0


def test_names_follow_the_conventions():
    """Prometheus, metric and label naming: base units as suffix, `_total` on counters and on nothing else (from memory)."""
    from collector.service import metrics
    status = {"site": "s", "needs": [], "outputs": {"o": {}}, "ports": {}, "ledger": {}, "masters": []}
    for one in metrics.metrics_of(status):
        assert one.name.endswith("_total") == (one.kind == "counter"), one.name
        assert one.help.endswith(".") and one.name == one.name.lower()


@pytest.mark.parametrize("text", ['a"b', "a\\b", "a\nb", "ü"])
def test_labels_come_back_as_they_were(text):
    said = text_of([Metric("x", "gauge", "A gauge.", [({"port": text}, 1)])])
    assert families(said)["collector_x"].samples[0].labels == {"port": text}


def test_a_folder_that_is_not_there_stops_nothing_and_check_says_it(cell):
    cell.column("column")
    cell.configure(CONFIG)
    said = cell.command("check", str(cell.config))
    assert said.returncode == 1 and "textfile does not exist" in said.stderr
    cell.start()
    cell.open()
    wait_for(lambda: b'"metrics-not-written"' in cell.log.read_bytes(), "a word in the log")
    assert cell.stop() == 0


def test_without_a_status_file_there_is_less_to_say_and_nothing_ends(cell):
    (cell.folder / "textfile").mkdir()
    (cell.folder / "state/status.json").mkdir(parents=True)    # it can't be written, nor read
    column = cell.column("column")
    cell.configure(CONFIG)
    cell.start()
    column.send(b"P 12.0100\r\n")
    wait_for(lambda: (cell.folder / "textfile/collector-brunnenhof.prom").exists(), "the metrics")
    cell.wait_records(1, kind="measurement")
    assert "collector_needs_person" in (cell.folder / "textfile/collector-brunnenhof.prom").read_text()
    assert cell.stop() == 0
