"""Streams of stand-in columns: marks around a turn, a form of which the TIR is known, parts taken away too early."""

import itertools
from decimal import Decimal
from pathlib import Path

import pytest

from collector.errors import ConfigError
from collector.simulator.part_stream import MARK, OVER_RANGE, READING, Sending, sendings
from collector.simulator.scenario import read_scenario

LINE = r'line: "{value:.5f}\r\n"'
ONE = "channels: {seal: {mean: 30}}"
STREAM = "each: 100 ms, on: 3 s, turn: 1 s"
MARKS = r'marks: {start: "TURN {count}\r\n", end: "DONE\r\n", after: 500 ms}'


def sent(tmp_path, parts: int, *keys: str) -> list[list[Sending]]:
    """What is sent from when a part is put on until the next one; parts come every 4 s."""
    path = tmp_path / "s.yaml"
    path.write_text("columns:\n  seal:\n    link: tty\n    every: 4 s\n" + "".join(f"    {key}\n" for key in keys),
                    encoding="utf-8")
    until_ns = parts * 4 * 10**9
    coming = sendings("seal", read_scenario(path).columns["seal"], 7)
    found = list(itertools.takewhile(lambda one: one.at_ns < until_ns, coming))
    assert found == sorted(found, key=lambda one: one.at_ns)
    return [list(group) for _, group in itertools.groupby(found, lambda one: one.at_ns // (4 * 10**9))]


def kinds(found: list[Sending]) -> list[tuple[str, int]]:
    return [(what, len(list(run))) for what, run in itertools.groupby(one.what for one in found)]


def turn_of(found: list[Sending]) -> list[Sending]:
    """The readings between the marks; all of them where the turn was never over."""
    marks = [at for at, one in enumerate(found) if one.what == MARK]
    return found[marks[0] + 1:marks[1]] if len(marks) == 2 else found[marks[0] + 1:]


def test_marks_stand_around_exactly_one_turn(tmp_path):
    first, second = sent(tmp_path, 2, LINE, ONE, f"stream: {{{STREAM}, {MARKS}}}")
    assert kinds(first) == kinds(second) == [(READING, 5), (MARK, 1), (READING, 10), (MARK, 1), (READING, 15)]
    assert [(one.at_ns // 10**6, one.data) for one in second if one.what == MARK] == [
        (4500, b"TURN 2\r\n"), (5500, b"DONE\r\n")]


def test_the_tir_that_is_told_is_what_a_turn_shows(tmp_path):
    keys = (LINE, ONE, f"stream: {{each: 5 ms, on: 3 s, turn: 1 s, ovality: 0.004, ovality-spread: 0.001, {MARKS}}}")
    told = []
    for found in sent(tmp_path, 20, *keys):
        values = [one.value for one in turn_of(found)]
        told.append(found[0].tir)
        assert {one.tir for one in found if one.what == READING} == {found[0].tir}
        assert abs(max(values) - min(values) - found[0].tir) <= Decimal("0.00001")         # two roundings to 0.00001
        assert abs(sum(values) / len(values) - 30) < Decimal("0.00001")
    assert len(set(told)) == 20


def test_a_master_is_round(tmp_path):
    found = sent(tmp_path, 2, LINE, ONE, "masters: {every: 5, sizes: {RING: {seal: 30.01}}}",
                 f"stream: {{{STREAM}, ovality: 0.004, ovality-spread: 0.001}}")
    assert {(one.value, one.tir) for one in found[0]} == {(Decimal("30.01"), 0)}
    assert found[1][0].tir > 0


def test_every_so_many_parts_one_is_taken_away_too_early(tmp_path):
    keys = (LINE, ONE, r'over-range: {line: "OPEN\r\n"}', f"stream: {{{STREAM}, early: {{every: 2, after: 300 ms}}}}")
    found = sent(tmp_path, 4, *keys)
    assert [kinds(one) for one in found] == [[(READING, 30), (OVER_RANGE, 10)], [(READING, 3), (OVER_RANGE, 37)]] * 2


def test_a_turn_is_not_marked_as_over_when_the_part_was_taken_away_in_it(tmp_path):
    found = sent(tmp_path, 2, LINE, ONE, f"stream: {{{STREAM}, {MARKS}, early: {{every: 2, after: 900 ms}}}}")
    assert kinds(found[1]) == [(READING, 5), (MARK, 1), (READING, 4)]
    found = sent(tmp_path, 2, LINE, ONE, f"stream: {{{STREAM}, {MARKS}, early: {{every: 2, after: 200 ms}}}}")
    assert kinds(found[1]) == [(READING, 2)]


def test_masters_are_not_taken_away_early(tmp_path):
    found = sent(tmp_path, 4, LINE, ONE, "masters: {every: 1, sizes: {RING: {seal: 30}}}",
                 f"stream: {{{STREAM}, early: {{every: 1, after: 300 ms}}}}")
    assert [len(one) for one in found] == [30, 3, 30, 3]


def test_without_over_range_lines_a_stream_is_quiet_between_parts(tmp_path):
    found = sent(tmp_path, 3, LINE, ONE, f"stream: {{{STREAM}}}")
    assert [kinds(one) for one in found] == [[(READING, 30)]] * 3
    assert found[1][0].at_ns - found[0][-1].at_ns == 1_100_000_000


def test_marks_of_several_channels_come_one_for_each(tmp_path):
    found = sent(tmp_path, 1, r'line: "{channel} {value:.5f}\r\n"', "channels: {A1: {mean: 1}, B1: {mean: 2}}",
                 f"stream: {{{STREAM}, {MARKS.replace('DONE', 'DONE {channel}')}}}")[0]
    assert [one.data for one in found if one.what == MARK] == [b"TURN 1\r\n", b"DONE A1\r\n", b"DONE B1\r\n"]


def test_a_turn_that_is_longer_than_the_part_is_on_is_refused(tmp_path):
    with pytest.raises(ConfigError, match="taken away before the turn is over"):
        sent(tmp_path, 1, LINE, ONE, f"stream: {{each: 100 ms, on: 1 s, turn: 1 s, {MARKS}}}")


def test_the_whole_sample_sends_the_lines_that_its_comments_show():
    scenario = read_scenario(Path(__file__).parent.parent.parent / "samples" / "whole.scenario.yaml")
    lines = {name: {one.data.decode().strip() for one in itertools.islice(sendings(name, column, scenario.seed), 1500)}
             for name, column in scenario.columns.items()}
    assert {"------"} < lines["bore-column"]
    assert {"OPEN"} < lines["bearing-column"]
    assert {"TURN 0007 ON", "TURN 0007 OFF"} < lines["seal-column"]
