"""Reading a descriptor with the interpreter lock kept: the same bytes and the same errors as `os.read`."""

import errno
import os

import pytest

from collector.ports.now import read_now


@pytest.fixture
def pipe():
    out, into = os.pipe()
    os.set_blocking(out, False)
    yield out, into
    for fd in (out, into):
        try:
            os.close(fd)
        except OSError:
            pass


def test_what_is_there_is_read_whole_and_once(pipe):
    out, into = pipe
    data = bytes(range(256)) * 100 + b"\0\0"
    os.write(into, data)
    assert read_now(out) == data
    os.write(into, b"more")
    assert read_now(out) == b"more"


def test_more_than_fits_comes_with_the_next_read(pipe):
    out, into = pipe
    os.set_blocking(into, False)
    sent = 0
    data = os.urandom(1 << 20)
    while True:
        try:
            sent += os.write(into, data[sent:sent + 4096])
        except BlockingIOError:
            break
    found = b""
    while len(found) < sent:
        piece = read_now(out)
        assert 0 < len(piece) <= 65536
        found += piece
    assert found == data[:sent]


def test_nothing_there_and_an_end_are_told_apart(pipe):
    out, into = pipe
    with pytest.raises(BlockingIOError):
        read_now(out)
    os.close(into)
    assert read_now(out) == b""


def test_a_descriptor_that_is_gone_is_an_error_with_its_number(pipe):
    out, _ = pipe
    os.close(out)
    with pytest.raises(OSError) as told:
        read_now(out)
    assert told.value.errno == errno.EBADF
