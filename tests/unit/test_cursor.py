"""The cursor file: durable, sure of itself, never guessed at."""

import os

import msgspec
import pytest

from collector.errors import OutputDown, StoppedByIO
from collector.files import Files
from collector.outputs.cursor import Cursor, Pending, cursor_path, lock_output
from tests.faults.faulty_files import FaultyFiles

PENDING = Pending(publish="growing", file="a.jsonl", first=3, last=5, through=6, length=70, sha256="0", offset=30)


@pytest.fixture
def state(tmp_path):
    (tmp_path / "outputs").mkdir()
    return tmp_path


def opened(state, files=None, last_seq=100):
    return Cursor.open(state, "mes", "ABCD1234", last_seq, files or Files())


def test_what_was_saved_is_there_after_a_restart(state):
    cursor = opened(state)
    cursor.remember("mark")
    cursor.deliver(2)
    cursor.hold(PENDING)
    again = opened(state)
    assert (again.delivered, again.pending, again.sentinel) == (2, PENDING, "mark")


def test_delivering_remembers_how_long_a_growing_file_is(state):
    cursor = opened(state)
    cursor.hold(PENDING)
    cursor.deliver(6)
    assert (cursor.pending, cursor.grown) == (None, {"a.jsonl": 100})
    cursor.forget_file("a.jsonl")
    assert opened(state).grown == {}


def test_only_the_latest_growing_files_are_remembered(state):
    cursor = opened(state)
    for day in range(20):
        cursor.hold(msgspec.structs.replace(PENDING, file=f"{day}.jsonl"))
        cursor.deliver(6)
    assert list(cursor.grown) == [f"{day}.jsonl" for day in range(4, 20)]


@pytest.mark.parametrize("fault", ["error", "late-error"])
def test_after_a_save_that_failed_the_cursor_goes_by_what_is_on_the_disk(state, fault):
    seen = set()
    for n in range(1, 20):
        files = FaultyFiles()
        cursor = opened(state, files)
        cursor.settle()
        cursor.deliver(n)
        failing = FaultyFiles(n, fault)
        cursor._files = failing
        try:
            cursor.deliver(n + 1)
        except OutputDown:
            assert cursor.delivered == n
            on_disk = opened(state).delivered
            cursor.settle()
            assert cursor.delivered == on_disk
            seen.add(on_disk - n)
        if not failing.hit:
            assert seen == {0, 1}
            return
    raise AssertionError("the end was never reached")


def test_a_new_folder_has_no_sentinel_no_files_and_nothing_pending(state):
    cursor = opened(state)
    cursor.remember("mark")
    cursor.hold(PENDING)
    cursor.forget_folder()
    again = opened(state)
    assert (again.sentinel, again.pending, again.grown, again.delivered) == ("", None, {}, 0)


@pytest.mark.parametrize("content", [b"", b"{", b'{"version":2,"journal":"ABCD1234"}', b'{"version":1,"delivered":"x"}', b"null"])
def test_a_cursor_that_cannot_be_understood_stops_the_output_in_words(state, content):
    cursor_path(state, "mes").write_bytes(content)
    with pytest.raises(StoppedByIO, match="can't be understood"):
        opened(state)


def test_a_cursor_whose_pending_batch_is_ahead_of_the_journal_is_refused(state):
    cursor = opened(state)
    cursor.hold(PENDING)
    with pytest.raises(StoppedByIO, match="is at 6, the journal only at 5"):
        opened(state, last_seq=5)


def test_two_processes_never_hold_the_same_output(state):
    held = lock_output(state, "mes", Files(), lambda: True)
    with pytest.raises(StoppedByIO, match="another process is still writing"):
        lock_output(state, "mes", Files(), lambda: True)
    os.close(lock_output(state, "other", Files(), lambda: True))
    os.close(held)
    os.close(lock_output(state, "mes", Files(), lambda: True))
