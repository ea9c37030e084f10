"""Reading YAML: nothing is guessed, every fault has its place."""

import pytest

from collector.config.loader import load
from collector.errors import ConfigError


def write(folder, text, name="c.yaml"):
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def faults(path):
    with pytest.raises(ConfigError) as caught:
        loaded = load(path)
        raise ConfigError(loaded.faults)
    return [str(fault).removeprefix(f"{path.parent}/") for fault in caught.value.faults]


def test_every_scalar_is_the_text_that_was_written(tmp_path):
    loaded = load(write(tmp_path, "part: 0123\nsize: 1.10\nsmall: 1e-3\nno: no\nat: 12:30\nnull: ~\nend: \"\\r\\n\"\n"))
    assert loaded.tree == {"part": "0123", "size": "1.10", "small": "1e-3", "no": "no", "at": "12:30", "null": "~", "end": "\r\n"}
    assert loaded.values[("size",)][1:] == (2, 7)


@pytest.mark.parametrize("text, said", [
    ("site: a\n\tports: b\n", "c.yaml:2:1: a tab stands where YAML allows only spaces; indent with spaces"),
    ("a: 1\nb: 2\na: 3\n", "c.yaml:3:1: 'a' stands here a second time (first in line 1); keep one"),
    ("a: &x 1\nb: *x\n", "c.yaml:1:4: an anchor (&name) is not taken; write the text out"),
    ("a: !!python/object:os.system x\n", "c.yaml:1:4: a tag (tag:yaml.org,2002:python/object:os.system) is not taken; write plain text"),
    ("", "c.yaml:1:1: is empty; it should hold sections such as site, ports, formats, parts, outputs"),
    ("just words\n", "c.yaml:1:1: is not a configuration; it should hold sections such as site, ports, formats, parts, outputs"),
    ("a: 1\n---\nb: 2\n", "c.yaml:2:1: holds a second document; keep one document a file"),
    (b"\xff\xfe\x00", "c.yaml:1:1: is not UTF-8 text; save the file as UTF-8"),
    ("a" * 1_000_001, "c.yaml:1:1: is larger than 1 MB; a configuration is a few kB; is this the right file?"),
    ("[" * 100, "c.yaml:1:22: is nested more than 20 deep"),
])
def test_what_is_not_a_configuration_is_refused_with_its_place(tmp_path, text, said):
    assert faults(write(tmp_path, text)) == [said]


def test_broken_yaml_says_where(tmp_path):
    found, = faults(write(tmp_path, "a: [1, 2\nb: 3\n"))
    assert found.startswith("c.yaml:2:") and "is not YAML" in found


def test_endless_nesting_is_refused_without_deep_recursion(tmp_path):
    assert len(faults(write(tmp_path, "[" * 100_000))) == 1


def test_a_file_of_ten_megabytes_is_not_read_whole(tmp_path):
    assert "larger than 1 MB" in faults(write(tmp_path, b"# x\n" * 2_500_000))[0]


def test_a_folder_is_merged_section_by_section_and_a_name_twice_is_a_fault(tmp_path):
    write(tmp_path, "site: a\nports: {one: {device: /dev/x}}\n", "1.yaml")
    write(tmp_path, "ports: {two: {device: /dev/y}}\n", "2.yaml")
    loaded = load(tmp_path)
    assert loaded.tree == {"site": "a", "ports": {"one": {"device": "/dev/x"}, "two": {"device": "/dev/y"}}}
    write(tmp_path, "ports: {one: {device: /dev/z}}\n", "3.yaml")
    again = load(tmp_path).faults
    assert len(again) == 1 and again[0].file.endswith("3.yaml") and "'one' is in ports already" in again[0].what


def test_a_file_that_is_not_there_says_so(tmp_path):
    with pytest.raises(ConfigError, match="can't be read: No such file"):
        load(tmp_path / "none.yaml")
