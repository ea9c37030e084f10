"""The main job through real pseudo-terminals, the real daemon and real files."""

import contextlib
import csv
import io
import json
import os
import signal
import socket
import subprocess
import threading
from decimal import Decimal
from pathlib import Path

import duckdb
import jsonschema
import pytest

FORMATS = """
formats:
  line:
    pattern: '^(?P<channel>[A-Z][0-9]) +(?P<value>[+-]?\\d+\\.\\d+) *(?P<unit>mm|in|um)?$'
    unit: mm
    over-range: [OPEN, "------"]
  plain: {pattern: '(?P<value>[+-]?\\d*\\.?\\d*)\\s*(?P<unit>[a-z]*)$', unit: mm}
  dev: {pattern: '^(?P<value>[+-]\\d*\\.\\d+)$', unit: in, reads: deviation}
"""
PARTS = """
parts:
  PH-200:
    bore: {channel: one/A1, nominal: 12 mm, limits: {lower: 0 mm, upper: +0.018 mm}}
    seal: {channel: one/B1, nominal: 25 mm, limits: {min: 25 mm, max: 25.021 mm}}
"""
OUTPUTS = """
outputs:
  mes: {kind: csv, folder: ./inbox, every: 500 ms}
  line: {kind: jsonl, folder: ./inbox, publish: growing}
"""
ONE = f"site: cell-4\nports: {{one: {{device: ./tty-one, format: line}}}}{FORMATS}{PARTS}{OUTPUTS}"
SCHEMA = json.loads((Path(__file__).parent.parent.parent / "collector/schemas/record.schema.json").read_text())


def started(cell, text=ONE, ports=("one",)):
    cell.configure(text)
    for name in ports:
        if name not in cell.columns:
            cell.column(name)
    cell.start()
    cell.open(len(ports))


def sealed(cell):
    return [row for path in sorted(cell.inbox.glob("*.csv")) for row in csv.DictReader(io.StringIO(path.read_bytes().decode(), newline=""))]


def test_a_reading_s_way_from_the_far_end_to_the_sealed_file(cell):
    started(cell)
    cell.columns["one"].send(b"A1 +12.0180 mm\r\nB1 25.0211 mm\rA1 0.4724 in\nA1 11 990 um\nOPEN\r\nC7 1.0 mm\n")
    cell.wait_records(8)
    assert cell.stop() == 0
    rows = [row for row in sealed(cell) if row["kind"] not in ("event", "part")]
    keys = ("kind", "channel", "characteristic", "value", "unit", "deviation", "verdict", "side", "raw")
    assert [tuple(row[key] for key in keys) for row in rows] == [
        ("measurement", "A1", "bore", "12.0180", "mm", "0.0180", "pass", "", "A1 +12.0180 mm"),
        ("measurement", "B1", "seal", "25.0211", "mm", "0.0211", "fail", "above", "B1 25.0211 mm"),
        ("measurement", "A1", "bore", "11.99896", "mm", "-0.00104", "fail", "below", "A1 0.4724 in"),
        ("unread", "", "", "", "", "", "", "", "A1 11 990 um"),
        ("over-range", "", "", "", "", "", "", "", "OPEN"),
        ("unread", "", "", "", "", "", "", "", "C7 1.0 mm"),
    ]
    assert [json.loads(row["detail"])["reason"] for row in rows if row["kind"] == "unread"] == ["no-match", "channel"]
    assert [int(row["seq"]) for row in sealed(cell)] == list(range(1, len(sealed(cell)) + 1))
    with open(cell.inbox / sorted(path.name for path in cell.inbox.glob("*.csv"))[0], "rb") as file:
        assert file.readline().endswith(b"detail\r\n")


def test_files_read_as_a_downstream_user_reads_them(cell):
    started(cell)
    cell.columns["one"].send(b"A1 +12.0180 mm\r\nB1 25.0211 mm\r\n=1+1\r\n\"quoted\", and\ttab\r\n-2\r\n")
    cell.wait_records(7)
    cell.stop()
    validator = jsonschema.Draft202012Validator(SCHEMA)
    records = cell.records()
    for record in records:
        validator.validate(record)
    base = duckdb.connect()
    read = f"read_csv('{cell.inbox}/*.csv', header=true, delim=',', quote='\"', escape='\"', all_varchar=true, strict_mode=true)"
    assert base.execute(f"SELECT count(*) FROM {read}").fetchall() == [(len(records),)]
    assert base.execute(f"SELECT value, verdict FROM {read} WHERE kind = 'measurement' ORDER BY seq::int").fetchall() == [
        ("12.0180", "pass"), ("25.0211", "fail")]
    raws = [raw for raw, in base.execute(f"SELECT raw FROM {read} WHERE kind = 'unread' ORDER BY seq::int").fetchall()]
    assert raws == ["'=1+1", '"quoted", and\\x09tab', "'-2"]
    assert base.execute(f"SELECT sum(value::decimal(10,4)) FROM read_json_auto('{cell.inbox}/*.jsonl') WHERE kind = 'measurement'"
                    ).fetchall()[0][0] == Decimal("37.0391")
    base.close()


BAD = [
    (b"\x00\x00\x00", "encoding"), (b"A1 +12.0\x0018 mm", "encoding"), (bytes(range(128, 200)), "encoding"),
    (bytes(byte | 0x80 for byte in b"A1 +12.018 mm"), "encoding"), (b"A1 +12.018 mm A1 +12.019 mm", "no-match"),
    (b"A1 NaN mm", "no-match"), (b"A1 1e400 mm", "no-match"), (b"A1 1_000.0 mm", "no-match"),
    ("A1 ١٢.٠ mm".encode(), "encoding"), (b"A1  mm", "no-match"), (b"A1 - mm", "no-match"), (b"Z9 12.0 mm", "channel"),
    (b"x" * 3000, "too-long"), (b"A1 123456789012345678901234567890.5 mm", "number"),
]


def test_every_bad_line_is_an_unread_record_with_its_reason_and_the_good_ones_come_through(cell):
    started(cell)
    column = cell.columns["one"]
    for bad, _ in BAD:
        column.send(bad + b"\r\nA1 12.001 mm\r\n")
    cell.wait_records(2 * len(BAD) + 2)
    assert [one["detail"]["reason"] for one in cell.records(kind="unread")] == [reason for _, reason in BAD]
    assert [one["value"] for one in cell.records(kind="measurement")] == [12.001] * len(BAD)
    assert cell.records(kind="unread")[-2]["detail"]["discarded"] == 3000 - 1024


def test_values_that_are_no_numbers_and_units_that_are_none(cell):
    started(cell, ONE.replace("format: line", "format: plain").replace("one/A1", "one").replace(
        "\n    seal: {channel: one/B1, nominal: 25 mm, limits: {min: 25 mm, max: 25.021 mm}}", ""))
    cell.columns["one"].send(b"-\r\n-mm\r\n12.0 furlong\r\n12.0mm\r\n.0005in\r\n")
    cell.wait_records(7)
    assert [one["detail"]["reason"] for one in cell.records(kind="unread")] == ["number", "number", "unit"]
    assert [one["value"] for one in cell.records(kind="measurement")] == [12.0, 0.0127]


def test_a_line_of_one_megabyte_without_an_end_takes_no_memory_and_the_next_is_read(cell):
    started(cell)
    cell.columns["one"].send(b"9" * 1_000_000 + b"\r\nA1 12.001 mm\r\n")
    unread, = cell.wait_records(1, kind="unread")
    assert unread["detail"]["reason"] == "too-long" and unread["detail"]["discarded"] == 1_000_000 - 1024
    cell.wait_records(1, kind="measurement")


def test_ports_fail_and_come_back_alone(cell, until):
    text = ONE.replace("ports: {one: {device: ./tty-one, format: line}}",
                       "ports:\n  one: {device: ./tty-one, format: line}\n  two: {device: ./tty-two, format: dev}\n"
                       "  three: {device: 'socket://127.0.0.1:1', format: dev}")
    cell.configure(text)
    one = cell.column("one")
    cell.start()
    cell.open(1)
    lost = cell.wait_records(2, kind="event")
    cell.wait_records(1, kind="event", port="two")
    assert {(event["port"], event["detail"]["event"]) for event in lost if "port" in event} >= {("one", "port-open")}
    one.send(b"A1 12.001 mm\r\nA1 12.0")
    cell.wait_records(1, kind="measurement")
    two = cell.column("two")
    cell.open(2)
    two.send(b"+.0005\r\n")
    cell.wait_records(1, kind="measurement", port="two")
    one.pull()
    cell.wait_records(1, kind="unread", port="one")
    one.plug()
    until(lambda: len([one for one in cell.records(kind="event", port="one") if one["detail"]["event"] == "port-open"]) == 2, "return")
    one.send(b"02 mm\r\nA1 12.003 mm\r\n")
    cell.wait_records(2, kind="measurement", port="one")
    cut, joined = cell.records(kind="unread", port="one")
    assert (cut["raw"], cut["detail"]["reason"]) == ("A1 12.0", "cut") and joined["raw"] == "02 mm"
    causes = [event["detail"].get("cause", "") for event in cell.records(kind="event", port="three")]
    assert causes and all(causes)
    assert cell.stop() == 0


@pytest.fixture
def far_end():
    server = socket.create_server(("127.0.0.1", 0))
    yield server
    server.close()


def test_a_raw_tcp_line_is_read_and_its_return_is_seen(cell, far_end):
    port = far_end.getsockname()[1]
    cell.configure(ONE.replace("./tty-one", f"'socket://127.0.0.1:{port}'"))
    cell.start()
    for value in (b"12.001", b"12.002"):
        line, _ = far_end.accept()
        line.sendall(b"A1 " + value + b" mm\r\n")
        cell.wait_records(1 if value == b"12.001" else 2, kind="measurement")
        line.close()
    assert [one["value"] for one in cell.records(kind="measurement")] == [12.001, 12.002]
    cell.stop()


@pytest.mark.parametrize("kills", [6, pytest.param(60, marks=pytest.mark.long)])
def test_kill_at_any_moment_loses_nothing_committed_and_repeats_nothing(cell, kills):
    cell.configure(ONE)
    column = cell.column("one")
    stop = threading.Event()

    def keep_sending():
        number = 0
        os.set_blocking(column.master, False)          # while nobody reads, the line is full and the column goes on
        while not stop.wait(0.002):
            number += 1
            with contextlib.suppress(BlockingIOError):
                os.write(column.master, b"A1 12.%06d mm\r\n" % number)

    sender = threading.Thread(target=keep_sending)
    sender.start()
    committed = 0
    try:
        for kill in range(kills):
            cell.start()
            cell.open()
            cell.wait_records(len(cell.records(kind="measurement")) + 20 + kill * 7, kind="measurement")
            cell.stop(signal.SIGKILL)
            committed = max(committed, json.loads(cell.command("export", str(cell.config)).stdout.splitlines()[-1])["seq"])
    finally:
        stop.set()
        sender.join()
    cell.start()
    cell.wait_records(committed + 1)
    assert cell.stop() == 0
    exported = [json.loads(line) for line in cell.command("export", str(cell.config)).stdout.splitlines()]
    assert len(exported) > committed
    assert [one["seq"] for one in exported] == list(range(1, len(exported) + 1))
    assert [one["id"] for one in cell.records()] == [one["id"] for one in exported]
    assert [row["id"] for row in sealed(cell)] == [one["id"] for one in exported]
    values = [one["value"] for one in exported if one["kind"] == "measurement"]
    assert len(values) == len(set(values))


def test_reload_takes_a_good_configuration_and_refuses_a_bad_one_whole(cell, until):
    started(cell)
    column = cell.columns["one"]
    column.send(b"A1 12.019 mm\r\nA1 12.0")
    assert cell.wait_records(1, kind="measurement")[0]["verdict"] == "fail"
    cell.configure(ONE.replace("+0.018 mm", "0.018"))
    cell.daemon.send_signal(signal.SIGHUP)
    until(lambda: "has no unit" in cell.status().get("reload-refused", ""), "the refusal in the status")
    cell.configure(ONE.replace("+0.018 mm", "+0.020 mm").replace("  line: {kind: jsonl", "  more: {kind: jsonl, folder: ./inbox}\n  line: {kind: jsonl"))
    cell.daemon.send_signal(signal.SIGHUP)
    until(lambda: not cell.status().get("reload-refused"), "the new configuration")
    until(lambda: any(one["detail"]["event"] == "configuration" for one in cell.records(kind="event")), "its event")
    column.send(b"19 mm\r\n")
    assert cell.wait_records(2, kind="measurement")[1] | {"verdict": "pass", "upper": 12.02} == cell.records(kind="measurement")[1]
    assert cell.records(kind="unread") == []
    assert cell.stop() == 0
    assert list(cell.inbox.glob("cell-4-more-*.jsonl"))


@pytest.mark.punctual
def test_one_instance_a_state_folder_and_stop_within_five_seconds(cell):
    started(cell)
    second = cell.command("run", str(cell.config))
    assert second.returncode == 74 and "in use by another collector" in second.stderr and "Traceback" not in second.stderr
    assert cell.stop(seconds=5.0) == 0
    assert cell.command("status", str(cell.config)).returncode == 1


def test_an_output_folder_that_is_away_holds_up_nothing_and_gets_everything_later(cell, until):
    cell.configure(ONE + "  away: {kind: csv, folder: ./later, every: 200 ms}\n")
    cell.column("one")
    checked = cell.command("check", str(cell.config))
    assert checked.returncode == 1 and "folder ./later does not".replace("./", f"{cell.folder}/") in checked.stderr
    assert f"cell.yaml:{1 + ONE.count(chr(10))}:29: " in checked.stderr
    cell.start()
    cell.open()
    cell.columns["one"].send(b"A1 12.001 mm\r\n")
    cell.wait_records(1, kind="measurement")
    until(lambda: "output away:" in cell.command("status", str(cell.config)).stdout, "the fault in the status")
    assert cell.command("status", str(cell.config)).returncode == 1
    (cell.folder / "later").mkdir()
    until(lambda: "12.001" in "".join(path.read_text() for path in (cell.folder / "later").glob("*.csv")), "delivery", 15)
    assert cell.stop() == 0


def test_configuration_faults_end_with_78_and_one_line_each(cell):
    cell.configure(ONE.replace("nominal: 12 mm", "nominel: 12 mm").replace("device: ./tty-one", "device: 17"))
    for command in (("check",), ("run",), ("status",), ("export",), ("try",)):
        said = cell.command(*command, str(cell.config), *(["x"] if command == ("try",) else []))
        assert said.returncode == 78 and len(said.stderr.splitlines()) == 2, said
        assert "did you mean 'nominal'?" in said.stderr


def test_wrong_usage_ends_with_2_and_help_names_every_command(cell):
    assert cell.command("collect").returncode == 2 and cell.command("run").returncode == 2
    said = cell.command("--help").stdout
    assert all(name in said for name in ("run", "check", "ports", "try", "status", "export", "simulate"))


def test_schema_of_the_configuration_takes_what_check_takes(cell):
    import yaml
    schema = json.loads(cell.command("check", "--schema").stdout)
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(yaml.safe_load(ONE))
    demo = yaml.safe_load((Path(__file__).parent.parent.parent / "config/demo.yaml").read_text())
    demo["outputs"]["mes"] |= {"records": 100, "sentinel": True}
    demo["formats"]["stream"] |= {"scale": 0.001, "repeat": False}
    jsonschema.Draft202012Validator(schema).validate(demo)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(schema).validate(yaml.safe_load(ONE.replace("nominal", "nominel")))


def test_export_selects_by_time_part_and_kind_as_csv_and_json_lines(cell):
    started(cell)
    cell.columns["one"].send(b"A1 12.001 mm\r\nrubbish\r\n")
    cell.wait_records(1, kind="unread")
    cell.stop()
    lines = cell.command("export", str(cell.config), "--kind", "measurement", "--part", "PH-200").stdout.splitlines()
    assert [json.loads(line)["value"] for line in lines] == [12.001]
    rows = list(csv.DictReader(io.StringIO(cell.command("export", str(cell.config), "--csv", "--kind", "unread").stdout)))
    assert [row["raw"] for row in rows] == ["rubbish"]
    assert cell.command("export", str(cell.config), "--until", "2001-01-01").stdout == ""


def test_an_export_into_a_closed_pipe_says_nothing(cell):
    started(cell)
    cell.stop()
    said = subprocess.run(f"{os.sys.executable} -m collector export {cell.config} | true", shell=True, capture_output=True, text=True)
    assert said.stderr == ""
