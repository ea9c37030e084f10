"""Texts of the command line: a moment is exact, and what can't be meant is refused in words."""

from argparse import ArgumentTypeError

import pytest

from collector.cli import main
from collector.commands.arguments import moment_us, seconds, utf8


@pytest.mark.parametrize("text, us", [
    ("1970-01-02", 86_400_000_000), ("2026-03-02T07:15:00.000001+01:00", 1_772_432_100_000_001),
    ("2199-12-31T23:59:59.999999Z", 7_258_118_399_999_999), ("9999-12-31T23:59:59.999999-23:59", 253_402_387_139_999_999),
])
def test_a_moment_is_exact(text, us):
    assert moment_us(text) == us


def test_every_microsecond_is_itself():
    first = moment_us("2026-03-02T07:15:00Z")
    assert [moment_us(f"2026-03-02T07:15:00.{at:06d}Z") - first for at in range(0, 1_000_000, 997)] == [
        *range(0, 1_000_000, 997)]


@pytest.mark.parametrize("take, text", [(moment_us, "today"), (seconds, "xx"), (seconds, ""), (utf8, "a\udcff")])
def test_a_text_that_can_not_be_meant_is_wrong_usage(take, text):
    with pytest.raises(ArgumentTypeError, match="is not"):
        take(text)


@pytest.mark.parametrize("words", [("status", "c.yaml", "--watch", "--for", "xx"),
                                   ("study", "c.yaml", "show", "p.json", "--watch", "--for", "xx"),
                                   ("study", "c.yaml", "drift", "bore", "--since", "xx"),
                                   ("export", "c.yaml", "--lot", "\udcff")])
def test_commands_refuse_such_a_text_as_wrong_usage(words, capsys):
    with pytest.raises(SystemExit) as ended:
        main(list(words))
    assert ended.value.code == 2 and "is not" in capsys.readouterr().err


def test_a_length_of_time_is_in_seconds():
    assert (seconds("1500 ms"), seconds("2min"), utf8("Gehäuse")) == (1.5, 120.0, "Gehäuse")
