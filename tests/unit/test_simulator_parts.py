"""What stand-in columns send: templates, invented parts, captures, and faults of a scenario."""

import itertools
import statistics
from decimal import Decimal

import pytest

from collector.errors import CollectorError, ConfigError, StoppedByIO
from collector.ports.capture import read_capture, write_line
from collector.simulator.line import template
from collector.simulator.part_stream import sendings
from collector.simulator.scenario import read_scenario

LINE = r'line: "{channel} {value:+.4f} mm\r\n"'


def scenario(tmp_path, *keys: str):
    path = tmp_path / "s.yaml"
    path.write_text("columns:\n  bore:\n    link: tty\n" + "".join(f"    {key}\n" for key in keys), encoding="utf-8")
    return read_scenario(path)


def sent(tmp_path, count: int, *keys: str, seed: int = 7):
    return list(itertools.islice(sendings("bore", scenario(tmp_path, *keys).columns["bore"], seed), count))


# --- lines


def test_a_template_fills_in_channel_value_and_count():
    line = template("\x02{channel} {{{value:+09.4f}}} {count:04d}\r\n")
    assert line.fill("A1", Decimal("-0.0012"), 7) == b"\x02A1 {-000.0012} 0007\r\n"
    assert line.end == b"\r\n"
    assert line.decimals == 4


@pytest.mark.parametrize("text", [
    "{value.real}", "{value!r}", "{0}", "{}", "{other}", "{value:>9999999.4f}", "{value}", "{channel:d}",
    "{count:999999999d}", "{value:.4f} {value:.3f}", "a } b", "{", "\u00b5m", ""])
def test_a_template_with_anything_else_in_braces_is_refused(text):
    with pytest.raises(ValueError, match="can't be|decimals"):
        template(text)


# --- parts


def test_the_same_seed_gives_the_same_bytes_and_another_seed_others(tmp_path):
    keys = (LINE, "channels: {A1: {mean: 12.009, spread: 0.003}}", "garbage: {every: 2}",
            r'over-range: {line: "OPEN\r\n"}')
    assert sent(tmp_path, 50, *keys) == sent(tmp_path, 50, *keys)
    assert sent(tmp_path, 50, *keys) != sent(tmp_path, 50, *keys, seed=8)


def test_parts_lie_around_the_mean_with_the_spread(tmp_path):
    values = [one.value for one in sent(tmp_path, 4000, LINE, "channels: {A1: {mean: 12.009, spread: 0.003}}")]
    assert abs(statistics.mean(values) - Decimal("12.009")) < Decimal("0.0003")       # 0.003 / sqrt(4000) = 0.00005
    assert abs(statistics.stdev(values) / Decimal("0.003") - 1) < Decimal("0.06")


def test_wear_drift_and_bad_parts_move_a_size_exactly(tmp_path):
    found = sent(tmp_path, 5, LINE, "every: 1 h",
                 "channels: {A1: {mean: 12, wear: 0.001 per part, drift: 0.0002 per h, bad: {every: 4, offset: -0.5}}}")
    assert [str(one.value) for one in found] == ["12.0000", "12.0012", "12.0024", "11.5036", "12.0048"]
    assert found[1].data == b"A1 +12.0012 mm\r\n"
    assert str(found[1].truth) == "12.0012000"


def test_a_value_that_rounds_to_zero_has_no_minus_sign(tmp_path):
    assert sent(tmp_path, 1, LINE, "channels: {A1: {mean: -0.00001}}")[0].data == b"A1 +0.0000 mm\r\n"


def test_over_range_lines_and_pauses_stand_between_parts(tmp_path):
    found = sent(tmp_path, 9, LINE, "every: 900 ms", "channels: {A1: {mean: 1}}",
                 r'over-range: {line: "OPEN\r\n", between: 2}', "pause: {every: 2, for: 10 s}")
    assert [one.at_ns // 1_000_000 for one in found] == [0, 300, 600, 900, 1200, 1500, 11800, 12100, 12400]
    assert [one.what for one in found[:4]] == ["reading", "over-range", "over-range", "reading"]
    assert found[1].data == b"OPEN\r\n"


def test_garbage_keeps_to_the_bits_of_a_character_and_ends_like_a_line(tmp_path):
    keys = (LINE, "character: 7E1", "channels: {A1: {mean: 1}}", "garbage: {every: 2}")
    found = [one for one in sent(tmp_path, 400, *keys) if one.what == "garbage"]
    assert len(found) == 133
    assert all(one.data.endswith(b"\r\n") and len(one.data) > 2 and max(one.data) < 128 for one in found)


def test_a_stream_settles_turns_and_then_says_that_no_part_is_on(tmp_path):
    found = sent(tmp_path, 30, LINE, "every: 3 s", "channels: {A1: {mean: 40}}", r'over-range: {line: "OPEN\r\n"}',
                 "stream: {each: 100 ms, on: 2 s, starts: -1, settle: 100 ms, ovality: 0.01, turn: 800 ms}")
    values = [one.value for one in found if one.what == "reading"]
    assert len(values) == 20
    assert [one.what for one in found[20:]] == ["over-range"] * 10
    assert values[0] == 39
    assert values[1] == Decimal("39.6357")                     # 40 - exp(-1) + 0.005 sin(45 degrees)
    assert max(values[12:]) == Decimal("40.0050")
    assert min(values[12:]) == Decimal("39.9950")


# --- captures


def test_a_capture_gives_back_the_bytes_that_were_written(tmp_path):
    reads = [(0.0, bytes(range(256))), (0.25, b"\\x0d\t#"), (2.000001, b"\xc2\xb5m\r\n")]
    path = tmp_path / "a.capture"
    path.write_text("# bore column\n" + "".join(write_line(*one) for one in reads), encoding="ascii")
    assert read_capture(path) == reads


def test_a_capture_without_times_is_one_line_each(tmp_path):
    path = tmp_path / "a.capture"
    path.write_bytes(b"# a comment\nA1 +1.0\\x41\r\n\n1.5\tx\xff")
    assert read_capture(path) == [(None, b"A1 +1.0\\x41\r\n"), (None, b"1.5\tx\xff\n")]


def test_a_capture_saved_with_the_line_ends_of_an_editor_keeps_its_bytes(tmp_path):
    path = tmp_path / "a.capture"
    path.write_bytes(b"\xef\xbb\xbf1.0\tok \r\n2.0\t\\x0d\r\n")
    assert read_capture(path) == [(1.0, b"ok "), (2.0, b"\r")]


@pytest.mark.parametrize(("line", "why"), [
    ("no time", "no seconds"), ("0.5\tx", "before the line above"), ("2.0\ta\\q", "backslash")])
def test_a_wrong_line_of_a_capture_is_told_with_its_place(tmp_path, line, why):
    path = tmp_path / "a.capture"
    path.write_text(f"# bore\n1.0\tok\n{line}\n", encoding="ascii")
    with pytest.raises(CollectorError, match=f"a.capture:3: .*{why}"):
        read_capture(path)


def test_a_capture_that_is_not_there_is_an_input_error(tmp_path):
    with pytest.raises(StoppedByIO, match="can't be read"):
        read_capture(tmp_path / "none")


def test_a_replay_keeps_the_times_of_its_capture(tmp_path):
    (tmp_path / "a.capture").write_text("0.1\ta\\x0d\n1.000000001\tb\n", encoding="ascii")
    found = sent(tmp_path, 9, "replay: a.capture")
    assert [(one.at_ns, one.data) for one in found] == [(100_000_000, b"a\r"), (1_000_000_001, b"b")]


# --- faults of a scenario


@pytest.mark.parametrize(("keys", "why"), [
    (["channels: {A1: {mean: 1}}"], "something to send; give line and channels"),
    ([LINE, "channels: {A1: {mean: 1, spred: 2}}"], r"5:30: unknown key 'spred'; did you mean 'spread'"),
    ([LINE, "channels: {A1: {mean: 1 mm}}"], "5:.*not a number"),
    ([LINE, "channels: {A1: {mean: 1, drift: 0.1}}"], "5:.*does not say per h"),
    ([LINE.replace("{channel}", "-"), "channels: {A1: {mean: 1}, B1: {mean: 2}}"], "does not say which"),
    ([LINE, "channels: {A1: {mean: 1}}", "tcp: 20101"], "not both"),
    ([LINE, "channels: {A1: {mean: 1}}", "every: 0 s"], "is zero"),
    (["replay: a", LINE], "replay does not go with line"),
    ([LINE, "channels: {A1: {mean: 1}}", "stream: {each: 1 s, on: 5 s}"], "on for longer"),
    ([LINE, "channels: {A1: {mean: 1}}", 'asked: "?"', "pause: {every: 2, for: 1 s}"], "does not go with asked"),
    ([LINE, "channels: {A1: {mean: 1}}", 'asked: ""'], "6:12: '' is no request"),
])
def test_a_fault_of_a_scenario_is_told_with_its_place(tmp_path, keys, why):
    with pytest.raises(ConfigError, match=why):
        scenario(tmp_path, *keys)
