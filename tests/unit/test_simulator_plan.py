"""Masters, labels, changeovers, scanners and orders of stand-in columns: one plan, the same for all of them."""

import hashlib
import itertools
import json
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given, strategies as st

from collector.clock import SystemClock
from collector.errors import ConfigError
from collector.ports.capture import read_capture
from collector.simulator.drop_folder import DropFolder
from collector.simulator.part_stream import labels, orders, sendings
from collector.simulator.plan import put_on
from collector.simulator.scenario import Column, read_scenario

SAMPLES = Path(__file__).parent.parent.parent / "samples"
LINE = r'line: "{kind} {master} {channel} {value:+.4f}\r\n"'
MASTERS = "masters: {every: 2, sizes: {LOW: {A1: 12.000}, HIGH: {A1: 12.020}}, rezero-beyond: 0.0015}"
PLAIN = "channels: {A1: {mean: 12.010}}"


def column(tmp_path, *keys: str) -> Column:
    path = tmp_path / "s.yaml"
    path.write_text("columns:\n  bore:\n    link: tty\n" + "".join(f"    {key}\n" for key in keys), encoding="utf-8")
    return read_scenario(path).columns["bore"]


def sent(count: int, one: Column):
    return list(itertools.islice(sendings("bore", one, 7), count))


def texts(found) -> list[str]:
    return [one.data.decode().strip() for one in found]


# --- before masters and labels


BEFORE = r'''
seed: 7
columns:
  bore-line:
    link: demo-run/tty-bore
    every: 1 s
    line: "{channel}  {value:+.4f} mm\r\n"
    channels:
      A1: {mean: 12.009, spread: 0.003, drift: 0.004 per h, wear: 0.00002 per part, bad: {every: 9, offset: +0.021}}
      B1: {mean: 25.010, spread: 0.0035, bad: {every: 13, offset: -0.024}}
    over-range: {line: "------\r\n", between: 1}
    garbage: {every: 12}
    pause: {every: 100, for: 5 s}
  inch-line:
    link: demo-run/tty-inch
    character: 7E1
    every: 800 ms
    line: "DEV {value:+.5f} in\r"
    channels:
      seal: {mean: 0.0001, spread: 0.00012, wear: 0.000002 per part, bad: {every: 11, offset: +0.0008}}
  stream-line:
    link: demo-run/tty-stream
    every: 3 s
    line: "{value:.4f}\r\n"
    channels:
      bearing: {mean: 18.009, spread: 0.002}
    over-range: {line: "OPEN\r\n"}
    stream: {each: 100 ms, on: 2 s, starts: -0.050, settle: 250 ms, noise: 0.0002, ovality: 0.003, turn: 1 s}
'''


@pytest.mark.parametrize(("name", "digest"), [
    ("bore-line", "ad72ccb44992439237a0ee8c199896053c5942546f2eb5926030dae9143b8967"),
    ("inch-line", "32957bb0c64496c391dc5db45a6d3a0b07f6117f0e2cb4579002e0a7428ad0bb"),
    ("stream-line", "b58661f0c924967c5baf91d9d455ead39803434f7588579ed7e01e6da3eaa059")])
def test_a_scenario_without_masters_sends_what_it_always_sent(tmp_path, name, digest):
    path = tmp_path / "s.yaml"
    path.write_text(BEFORE, encoding="utf-8")
    found = hashlib.sha256()
    for one in itertools.islice(sendings(name, read_scenario(path).columns[name], 7), 200):
        told = (one.at_ns, one.data, one.what, one.channel, str(one.value), str(one.truth))
        found.update(repr(told).encode())
    assert found.hexdigest() == digest                        # taken before there were masters


# --- masters and the column's own error


def test_masters_are_put_on_at_the_start_and_after_every_so_many_parts(tmp_path):
    found = sent(8, column(tmp_path, LINE, PLAIN, MASTERS, "kinds: {master: RING}", "every: 1 s"))
    assert texts(found) == ["RING LOW A1 +12.0000", "RING HIGH A1 +12.0200", *["PART  A1 +12.0100"] * 2] * 2
    assert [one.at_ns // 10**9 for one in found] == list(range(8))
    assert [one.label["master"] for one in found[:3]] == ["LOW", "HIGH", ""]


def test_a_master_that_has_one_size_is_sent_on_that_channel_only(tmp_path):
    found = sent(3, column(tmp_path, LINE, "channels: {A1: {mean: 12}, B1: {mean: 25}}",
                           "masters: {every: 9, sizes: {RING: {B1: 25.001}}}"))
    assert texts(found) == ["MASTER RING B1 +25.0010", "PART  A1 +12.0000", "PART  B1 +25.0000"]


def test_the_columns_own_error_moves_what_is_sent_and_not_what_is_true(tmp_path):
    found = sent(6, column(tmp_path, LINE, "every: 1 h", MASTERS.replace("every: 2", "every: 3").replace("0.0015", "1"),
                           "channels: {A1: {mean: 12.010, zero-wear: 0.0010 per part, zero-drift: 0.0001 per h, "
                           "gain-error: 0.05}}"))
    #                                      LOW: gain -0.0005   HIGH: +0.0005      parts on the mean, 2, 3, 4 h, then LOW
    assert [str(one.value) for one in found] == ["11.9995", "12.0206", "12.0102", "12.0113", "12.0124", "12.0030"]
    assert [one.truth for one in found] == [12, Decimal("12.02"), *[Decimal("12.01")] * 3, 12]


def test_a_column_that_shows_too_little_is_set_too(tmp_path):
    one = column(tmp_path, LINE, MASTERS, "channels: {A1: {mean: 12.010, zero-wear: -0.001 per part}}")
    assert [str(put.zero["A1"]) for put in itertools.islice(put_on(one), 3, 10)] == [
        "-0.001", "-0.002", "-0.002", "0.000", "0.000", "0.000", "-0.001"]


def test_the_zero_error_begins_again_from_the_time_when_the_column_was_set(tmp_path):
    one = column(tmp_path, LINE, MASTERS, "every: 1 h", "channels: {A1: {mean: 12.010, zero-drift: 0.0004 per h}}")
    assert [str(put.zero["A1"]) for put in itertools.islice(put_on(one), 3, 9)] == [
        "0.0012", "0.0016", "0.0020", "0.0004", "0.0008", "0.0012"]


def test_pauses_count_masters_too(tmp_path):
    one = column(tmp_path, LINE, PLAIN, MASTERS, "every: 1 s", "pause: {every: 3, for: 10 s}")
    assert [put.at_ms for put in itertools.islice(put_on(one), 7)] == [0, 1000, 2000, 13000, 14000, 15000, 26000]


def test_after_a_check_that_is_beyond_the_column_is_set_and_checked_once_more(tmp_path):
    one = column(tmp_path, LINE, MASTERS, "channels: {A1: {mean: 12.010, zero-wear: 0.001 per part}}")
    low, high, part = "MASTER LOW A1 +12.00", "MASTER HIGH A1 +12.02", "PART  A1 +12.01"
    assert texts(sent(10, one)) == [low + "00", high + "00", part + "00", part + "10",      # 0.002 off: set
                                    low + "20", high + "20", low + "00", high + "00", part + "00", part + "10"]


def test_a_column_whose_gain_is_wrong_is_not_set_for_ever(tmp_path):
    one = column(tmp_path, LINE, MASTERS, "channels: {A1: {mean: 12.010, gain-error: 0.5}}")
    assert [put.master for put in itertools.islice(put_on(one), 6)] == ["LOW", "HIGH", "LOW", "HIGH", "", ""]


def test_without_a_bound_for_it_the_zero_error_goes_on_growing(tmp_path):
    one = column(tmp_path, LINE, MASTERS.replace(", rezero-beyond: 0.0015", ""),
                 "channels: {A1: {mean: 12.010, zero-wear: 0.001 per part}}")
    assert [str(put.zero["A1"]) for put in itertools.islice(put_on(one), 0, 12, 4)] == ["0.000", "0.002", "0.004"]


def test_parts_wear_and_go_bad_by_their_own_number_whatever_is_put_on_in_between(tmp_path):
    found = sent(12, column(tmp_path, LINE, MASTERS, "channels: {A1: {mean: 12, wear: 0.001 per part, "
                            "bad: {every: 4, offset: 1}}}"))
    assert [str(one.value) for one in found if not one.label["master"]] == [
        "12.0000", "12.0010", "12.0020", "13.0030", "12.0040", "12.0050"]


# --- temperatures


def test_a_warm_part_is_shown_larger_and_one_compared_with_a_warm_master_smaller(tmp_path):
    found = sent(2, column(tmp_path, r'line: "{value:.5f} {part_temperature} {master_temperature}"',
                           "channels: {A1: {mean: 100}}", "masters: {every: 9, sizes: {RING: {A1: 100}}}",
                           "temperatures: {part: {mean: 30, expansion: 0.00002}, "
                           "master: {mean: 22, expansion: 0.00001}}"))
    assert texts(found) == ["100.00000 30.0 22.0", "100.01800 30.0 22.0"]       # 100 × (0.00002 × 10 - 0.00001 × 2)
    assert found[1].truth == 100


# --- labels, changeovers, scanner, orders


LABELS = 'labels: {serial: "BP{count:03d}", lot: "L{count}", operator: kern}'
CHANGE = "changeover: {every: 2, parts: {PH-200: {}, PH-210: {A1: 12.5}}}"


def test_a_changeover_brings_the_next_part_number_its_mean_and_a_new_lot(tmp_path):
    line = r'line: "{part} {lot} {serial} {operator} {value:.3f}"'
    assert texts(sent(6, column(tmp_path, line, PLAIN, LABELS, CHANGE))) == [
        "PH-200 L1 BP001 kern 12.010", "PH-200 L1 BP002 kern 12.010", "PH-210 L2 BP003 kern 12.500",
        "PH-210 L2 BP004 kern 12.500", "PH-200 L3 BP005 kern 12.010", "PH-200 L3 BP006 kern 12.010"]


SCANNER = r'scanner: {link: scan, line: "S {serial} {part}\r", ahead: 300 ms}'


def test_the_scanner_says_the_label_of_each_part_ahead_of_it(tmp_path):
    one = column(tmp_path, LINE, PLAIN, LABELS, CHANGE, MASTERS, SCANNER, "every: 1 s")
    found = list(itertools.islice(labels(one), 3))
    assert [(label.at_ns // 10**6, label.data) for label in found] == [
        (2000, b"S BP001 PH-200\r"), (3000, b"S BP002 PH-200\r"), (6000, b"S BP003 PH-210\r")]
    parts = [part for part in sent(7, one) if not part.label["master"]]
    assert [(part.at_ns // 10**6, part.label["serial"]) for part in parts] == [
        (2300, "BP001"), (3300, "BP002"), (6300, "BP003")]


def test_masters_are_scanned_where_they_have_a_line_of_their_own(tmp_path):
    scanner = SCANNER[:-1] + r', master-line: "M {master}{serial}\r"}'
    one = column(tmp_path, LINE, PLAIN, LABELS, CHANGE, MASTERS, scanner)
    assert [label.data for label in itertools.islice(labels(one), 3)] == [b"M LOW\r", b"M HIGH\r", b"S BP001 PH-200\r"]


def test_an_order_comes_at_the_start_and_ahead_of_each_changeover(tmp_path):
    one = column(tmp_path, LINE.replace("{master}", "{lot}"), PLAIN, LABELS, CHANGE, SCANNER, "every: 1 s",
                 "orders: {folder: o, ahead: 700 ms}")
    found = list(itertools.islice(orders(one), 3))
    assert [(order.at_ns // 10**6, json.loads(order.data)) for order in found] == [
        (0, {"part": "PH-200", "lot": "L1"}), (2000, {"part": "PH-210", "lot": "L2"}),
        (4000, {"part": "PH-200", "lot": "L3"})]
    assert sent(1, one)[0].at_ns == 700 * 10**6


@given(masters=st.integers(1, 7), change=st.integers(1, 7), pause=st.integers(1, 7),
       wear=st.sampled_from(["0", "0.001"]))
def test_column_scanner_and_orders_tell_one_story(masters, change, pause, wear):
    one = Column.model_validate({
        "link": "a", "every": "1 s", "line": "{value:.3f}",
        "channels": {"A1": {"mean": "12", "zero-wear": f"{wear} per part"}},
        "masters": {"every": str(masters), "sizes": {"RING": {"A1": "12"}}, "rezero-beyond": "0.002"},
        "labels": {"serial": "{count}", "lot": "L{count}"}, "pause": {"every": str(pause), "for": "5 s"},
        "changeover": {"every": str(change), "parts": {"P": {}, "Q": {}, "R": {}}},
        "scanner": {"link": "b", "line": "{serial}", "master-line": "{master}", "ahead": "400 ms"},
        "orders": {"folder": "c", "ahead": "900 ms"}})
    in_force, now_ns = None, -1
    orders_to_come, readings = orders(one), sent(40, one)
    order = next(orders_to_come)
    for label, reading in zip(labels(one), readings):
        assert label.label == reading.label
        assert now_ns < label.at_ns == reading.at_ns - 400_000_000       # after what was on before
        if order.at_ns <= reading.at_ns:
            assert now_ns < order.at_ns < label.at_ns
            in_force, order = order.label, next(orders_to_come)
        assert in_force == {name: reading.label[name] for name in ("part", "lot")}
        now_ns = reading.at_ns


def test_an_order_file_is_whole_under_a_name_that_sorts(tmp_path):
    folder = DropFolder(tmp_path / "deep" / "orders", SystemClock())
    assert folder.write(b'{"lot": "1"}\n{"lo') == 0
    first = sorted(path.name for path in (tmp_path / "deep" / "orders").iterdir())
    folder.write(b't": "2"}\n' + b"".join(b'{"lot": "%d"}\n' % lot for lot in range(3, 13)))
    files = sorted((tmp_path / "deep" / "orders").iterdir())
    assert [files[0].name] == first
    assert [json.loads(path.read_bytes())["lot"] for path in files] == [str(lot) for lot in range(1, 13)]
    assert all(path.name.endswith(".json") and path.name[0] != "." for path in files)


# --- faults of a scenario


@pytest.mark.parametrize(("keys", "why"), [
    ([r'line: "{serial} {value:.3f}"', PLAIN], "fill in {serial}; give it in labels"),
    ([LINE, PLAIN], "fill in {master}"),
    ([r'line: "{value:.3f} {part_temperature}"', PLAIN, "temperatures: {master: {mean: 20}}"], "in {part_temperature}"),
    ([LINE, PLAIN, MASTERS, SCANNER.replace("serial", "channel")], "fill in {channel}"),
    ([LINE, PLAIN, MASTERS, "orders: {folder: o, sets: [lot]}"], "order for lot"),
    ([LINE, PLAIN, MASTERS, "orders: {folder: o, sets: [size]}"], "7:"),
    ([LINE, PLAIN, MASTERS.replace("HIGH: {A1", "HIGH: {B1")], "'B1', which is no channel"),
    ([LINE, PLAIN, "masters: {every: 2, sizes: {LOW: {}}}"], "without a size; write sizes"),
    ([LINE, PLAIN, MASTERS, CHANGE, "labels: {part: PH-1}"], "given twice"),
    ([LINE, PLAIN, MASTERS, CHANGE, LABELS, SCANNER, "every: 300 ms"], "ahead reaches back"),
    ([LINE, PLAIN, MASTERS, CHANGE, LABELS, SCANNER.replace("scan,", "tty,")], "same place"),
    ([LINE, PLAIN, MASTERS, CHANGE, LABELS, SCANNER, 'asked: "?"'], "scanner does not go with asked"),
    ([LINE, PLAIN, MASTERS, 'labels: {serial: "{lot}"}'], "other than the count"),
    ([LINE, PLAIN, MASTERS, 'labels: {operator: "a\\tb"}'], "printable"),
    (["replay: a", "labels: {lot: a}"], "replay does not go with labels"),
])
def test_a_fault_of_masters_labels_and_orders_is_told(tmp_path, keys, why):
    with pytest.raises(ConfigError, match=why):
        column(tmp_path, *keys)


# --- the sample


def test_the_whole_sample_has_a_check_that_fails_and_is_good_once_the_column_is_set():
    one = read_scenario(SAMPLES / "whole.scenario.yaml").columns["bore-column"]
    puts = [put for put in itertools.islice(put_on(one), 28) if put.master]
    assert [put.before for put in puts[::2]] == [0, 6, 12, 12, 18]
    found = itertools.islice(sendings("bore-column", one, 11), 28 * 3)
    readings = [reading for reading in found if reading.label.get("master")]
    off = [max(abs(reading.value - reading.truth) for reading in readings[at:at + 4]) for at in range(0, 20, 4)]
    assert [most > Decimal("0.001") for most in off] == [False, False, True, False, False]


@pytest.mark.parametrize(("capture", "name", "first"), [
    ("master-check.capture.txt", "bore-column", 48), ("sweep-turn.capture.txt", "seal-column", 0)])
def test_a_capture_of_the_whole_sample_is_what_it_sends(capture, name, first):
    scenario = read_scenario(SAMPLES / "whole.scenario.yaml")
    reads = [data for _, data in read_capture(SAMPLES / capture)]
    sent_there = itertools.islice(sendings(name, scenario.columns[name], scenario.seed), first, first + len(reads))
    assert reads == [one.data for one in sent_there]
