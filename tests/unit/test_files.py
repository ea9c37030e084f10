"""The durable steps: what they leave, and what they refuse."""

import os

import pytest

from collector.files import Files, lock


def test_a_new_file_may_be_read_by_its_group_and_no_one_else(tmp_path):
    before = os.umask(0o022)
    Files().write_new(tmp_path / "a", b"x")
    os.umask(before)
    assert (tmp_path / "a").stat().st_mode & 0o777 == 0o640


def test_a_name_that_is_taken_is_never_renamed_onto(tmp_path):
    (tmp_path / "a").write_bytes(b"new")
    (tmp_path / "b").write_bytes(b"old")
    with pytest.raises(FileExistsError):
        Files().rename(tmp_path / "a", tmp_path / "b")
    assert (tmp_path / "b").read_bytes() == b"old"


def test_a_link_that_lies_in_the_way_is_not_followed(tmp_path):
    (tmp_path / "theirs").write_bytes(b"theirs")
    (tmp_path / "a").symlink_to(tmp_path / "theirs")
    with pytest.raises(OSError, match="symbolic links"):
        Files().write_at(tmp_path / "a", 0, b"x")
    Files().write_new(tmp_path / "a", b"mine")
    assert ((tmp_path / "theirs").read_bytes(), (tmp_path / "a").read_bytes()) == (b"theirs", b"mine")


def test_writing_at_an_offset_or_cutting_needs_the_file(tmp_path):
    for act in (lambda: Files().write_at(tmp_path / "a", 0, b"x"), lambda: Files().cut(tmp_path / "a", 0)):
        with pytest.raises(FileNotFoundError):
            act()
    assert list(tmp_path.iterdir()) == []


def test_replacing_leaves_the_new_content_and_nothing_beside_it(tmp_path):
    for content in (b"one", b"other"):
        Files().replace(tmp_path / "a", content)
    assert [(path.name, path.read_bytes()) for path in tmp_path.iterdir()] == [("a", b"other")]


def test_a_lock_is_held_until_it_is_closed(tmp_path):
    held = lock(tmp_path / "lock")
    assert lock(tmp_path / "lock") is None
    os.close(held)
    os.close(lock(tmp_path / "lock"))


@pytest.mark.skipif(os.geteuid() != 0, reason="giving files to any group takes root")
def test_files_are_of_the_group_that_they_are_made_for(tmp_path):
    Files().of_group("4711").write_new(tmp_path / "a", b"a")
    found = (tmp_path / "a").stat()
    assert (found.st_gid, found.st_mode & 0o777) == (4711, 0o640)
    assert Files.group is None and Files().of_group("root").group == 0
    with pytest.raises(KeyError):
        Files().of_group("no-such-group")
