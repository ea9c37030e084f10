"""Any text as a configuration: it is read, or every fault has its place and its words; never a traceback, never a hang."""

import random
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from collector.config.explain import explain
from collector.config.plan import read_plan
from collector.errors import ConfigError

ROOT = Path(__file__).parent.parent.parent
VALID = {path.name: path.read_text(encoding="utf-8") for path in sorted((ROOT / "config").glob("*.yaml"))}
SCRAPS = ("[", "]", "{", "}", ":", "- ", "'", '"', "\n", "  ", "\t", "&a ", "*a", "!!python/object:os.system ", "<<: ", "|", ">", "#", "0", "-1",
          "1e999", "12 mm", "0 mm", "8 h", "yes", "null", "~", "\u00e9", "\u2028", "\ufeff", "(?P<value>", "(?P<value>\\d+)", "\\x00", "%", "?",
          "999999999999999999999 mm", "mm", "A" * 300, "ports:", "formats:", "masters:", "from: a - b", "H7", "{settled: {band: 1 um}}")


def read(folder: Path, data: bytes) -> None:
    path = folder / "cell.yaml"
    path.write_bytes(data)
    try:
        explain(read_plan(path))
    except ConfigError as error:
        assert error.faults
        for fault in error.faults:
            text = str(fault)
            assert text.startswith(str(path)) and "\n" not in text and text.isprintable(), text


def mutated(text: str, seed: int) -> bytes:
    """A valid configuration with some places cut, doubled, moved, or with scraps put in."""
    dice, lines = random.Random(seed), text.splitlines(keepends=True)
    for _ in range(dice.randint(1, 6)):
        at, kind = dice.randrange(len(lines)), dice.randrange(5)
        line = lines[at]
        place = dice.randrange(len(line) + 1)
        if kind == 0:
            lines[at] = line[:place] + dice.choice(SCRAPS) + line[place:]
        elif kind == 1:
            lines[at] = line[:place] + line[place + dice.randint(1, 6):]
        elif kind == 2:
            lines.insert(dice.randrange(len(lines)), line)
        elif kind == 3 and len(lines) > 3:
            del lines[at]
        else:
            key, mark, _ = line.partition(":")
            lines[at] = f"{key}{mark} {dice.choice(SCRAPS)}\n"
    return "".join(lines).encode("utf-8", "surrogatepass")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("fuzz")


@pytest.mark.parametrize("name", VALID)
@pytest.mark.parametrize("mutants", [60, pytest.param(3000, marks=pytest.mark.long)])
def test_a_mutated_configuration_is_read_or_refused_in_words(folder, name, mutants):
    for seed in range(mutants):
        try:
            read(folder, mutated(VALID[name], seed))
        except Exception as fault:
            raise AssertionError(f"{name}, seed {seed}") from fault


@settings(max_examples=150)
@example(data=b"\xff\xfe\x00")
@example(data=b"a: &a [*a]")
@example(data=b"[" * 2000)
@example(data=b"site: s\nports: {p: {device: /dev/ttyS1, format: f}}\nformats: {f: {pattern: '" + b"(" * 500 + b"'}}\n")
@given(data=st.one_of(st.binary(max_size=200), st.text(max_size=200).map(str.encode),
                      st.recursive(st.text(max_size=8), lambda inner: st.lists(inner, max_size=3).map(str), max_leaves=20).map(str.encode)))
def test_any_bytes_are_refused_in_words(folder, data):
    read(folder, data)
